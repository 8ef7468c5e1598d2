"""Pure geospatial computation and rendering: frames in; frames, maps or GeoJSON out.

Nothing here opens a file it was not handed, speaks HTTP or knows a database.
"""
