"""Thermal pixel to photo pixel to board millimetre, with its error carried along."""
