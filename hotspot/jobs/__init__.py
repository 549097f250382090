"""Use cases of a repair job, from intake to hand-over."""
