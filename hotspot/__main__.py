"""`python -m hotspot`: the same as the `hotspot` command."""

from hotspot.cli import main

if __name__ == "__main__":
    main()
