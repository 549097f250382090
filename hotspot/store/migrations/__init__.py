"""How the tables changed from version to version."""
