"""The independent checker: computes a finished plan again by other means and says where it does not hold."""
