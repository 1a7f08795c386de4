"""What somebody has dispensed, how well it agrees with what supervisors measure, and what they work on next."""
