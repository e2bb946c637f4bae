"""The warehouse: the only room that speaks SQL."""
