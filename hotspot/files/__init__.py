"""Doors to files: recordings, board packs, design exports, profiles."""
