"""The bench: the supply is worked by plan, watched, logged, and cut out when anything is wrong."""
