"""The failures that mudcap names; ``app`` turns each class into an exit code.

0 planned · 1 failure or store error · 2 wrong usage · 3 no usable input · 4 a limit could not be met ·
5 safety stop or fallback plan · 130 stopped by hand.
"""


class MudcapError(Exception):
    """Anything mudcap can explain in one line: what, where, what to do next."""

    exit_code = 1


class InputError(MudcapError):
    """The input cannot be used. The text names the file, what is wrong and the next step."""

    exit_code = 3


class InfeasibleError(MudcapError):
    """No layout meets the limits. The text names the limits that clash and the smallest change that would help."""

    exit_code = 4


class SafetyStop(MudcapError):
    """The safety clock ran out, or a solver process died, and no fallback plan could be made."""

    exit_code = 5


class StoreError(MudcapError):
    """A file of ours could not be written or read back."""

    exit_code = 1
