"""Place mason-bee nest shelters evenly through orchard blocks, stock them and plan the rounds."""

__version__ = "0.1.0"
