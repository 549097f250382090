"""`python -m calib`."""

from calib.cli import main

main()
