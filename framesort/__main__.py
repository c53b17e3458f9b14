"""`python -m framesort`."""

import sys

from framesort.cli import main

if __name__ == "__main__":
    sys.exit(main())
