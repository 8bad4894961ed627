"""Where the shelters stand: candidate sites, demand, the placement problem, its solution and its bounds."""
