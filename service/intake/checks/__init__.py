"""The checks of field sheets, by trade: what is refused, and what is kept but flagged."""
