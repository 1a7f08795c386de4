"""Records kept safe: counted and digested (census), copied whole (backup), brought to another database (move)."""
