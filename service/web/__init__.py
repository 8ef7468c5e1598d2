"""The web: application, pages, feed."""
