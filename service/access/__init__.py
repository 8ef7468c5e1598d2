"""Who may see what: the one gate to the records, and accounts."""

from service.access import gate
from service.access.current_picture import let_go, open_picture
from service.access.gate import *  # noqa: F403  what it offers is listed there, once
from service.access.shown import placement_catchments

__all__ = ["let_go", "open_picture", "placement_catchments"]
__all__ += gate.__all__
