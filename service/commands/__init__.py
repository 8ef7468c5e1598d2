"""The command line: one module for each command, listed in `service.program`."""
