"""One module a change, in order."""
