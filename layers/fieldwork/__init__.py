"""What gear did: methods' rules, effort, daylight, stretches, and the public view of records."""
