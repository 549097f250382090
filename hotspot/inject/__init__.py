"""Safe voltage and current, and what will be seen."""
