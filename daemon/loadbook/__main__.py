"""``python -m loadbook`` is the command ``loadbook``."""

import sys

from loadbook.cli import main

if __name__ == "__main__":
    sys.exit(main())
