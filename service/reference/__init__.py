"""Networks, catchments, species and methods: load, keep, look up."""

from service.reference.lookups import (
    ancestors,
    catchment_names,
    catchments,
    methods,
    network,
    reach_parts,
    species,
)
from service.reference.regions import (
    catchment_region,
    catchments_along,
    chosen_region,
    chosen_water,
    common_water,
)

__all__ = [
    "ancestors",
    "catchment_names",
    "catchment_region",
    "catchments",
    "catchments_along",
    "chosen_region",
    "chosen_water",
    "common_water",
    "methods",
    "network",
    "reach_parts",
    "species",
]
