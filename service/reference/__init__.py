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

__all__ = [
    "ancestors",
    "catchment_names",
    "catchments",
    "methods",
    "network",
    "reach_parts",
    "species",
]
