"""`python -m nightfold` is the same as `nightfold`."""

import sys

from nightfold.cli import main

if __name__ == "__main__":
    sys.exit(main())
