"""hotspot: find the shorted part on a circuit board from a thermal recording."""

__version__ = "0.1.0"
