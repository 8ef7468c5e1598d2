"""What records say: occurrence, catch rates, numbers, detection, coverage, gaps."""
