"""Files that leave the store: one module per form, and what they have in common."""

from service.export.hand_over import write_hand_over

__all__ = ["write_hand_over"]
