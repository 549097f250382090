"""A physical simulator: board, camera and supply twins with known truth."""
