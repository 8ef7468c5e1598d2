"""One place for every question: summaries, tables, features, map views."""
