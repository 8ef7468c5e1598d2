"""Networks, catchments, species and methods: load, keep, look up."""

from service.reference import lookups, regions
from service.reference.lookups import *  # noqa: F403  what they offer is listed there, once
from service.reference.regions import *  # noqa: F403

__all__: list[str] = []
__all__ += lookups.__all__
__all__ += regions.__all__
