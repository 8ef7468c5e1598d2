"""The way in: field sheets are read, checked as a whole, and taken whole or not at all."""
