"""Real faults of disks, files and clocks, met by the command as a user starts it."""
