"""Door to the job store."""
