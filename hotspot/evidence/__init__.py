"""Doors to pictures and paper: annotated photo, heat picture, report."""
