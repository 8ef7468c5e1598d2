"""What can go wrong in a computation, named by outcome.

LayersError (ValueError)
├── CrsError        a CRS is missing, in degrees, or two frames differ
├── NetworkError    reaches that cannot form a network
├── FrameError      a frame lacks a column or has values outside its contract
└── ThinDataError   the records cannot carry the estimate requested
"""

__all__ = ["CrsError", "FrameError", "LayersError", "NetworkError", "ThinDataError"]


class LayersError(ValueError):
    """A computation cannot be done with what it was given."""


class CrsError(LayersError):
    """A CRS is missing, not in metres, or differs between two frames."""


class NetworkError(LayersError):
    """Reaches cannot form a network: multi-part, zero-length or doubly named lines."""


class FrameError(LayersError):
    """A frame lacks a needed column or has values outside its contract."""


class ThinDataError(LayersError):
    """The records cannot carry the estimate; the message says why."""
