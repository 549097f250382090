"""Doors to hardware: cameras, capture, replay, supplies."""
