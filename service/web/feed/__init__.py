"""The live feed for a GIS: OGC API - Features.

Part 1 (OGC 17-069r4, 1.0.1): classes core, GeoJSON, HTML and OpenAPI 3.0. Part 2 (OGC 18-058):
coordinate reference systems by reference.
"""
