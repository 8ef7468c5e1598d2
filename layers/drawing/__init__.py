"""What is drawn: maps, figures, GeoJSON."""
