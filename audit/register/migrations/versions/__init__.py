"""The migrations, one for each version of the tables."""
