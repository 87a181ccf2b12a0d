"""`python -m routerd.cli`: the command line of this checkout."""

import sys

from routerd.cli import main

sys.exit(main())
