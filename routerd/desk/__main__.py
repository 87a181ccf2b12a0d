"""`python -m routerd.desk`: started by the engine, with one end of their link as an open socket."""

import sys

from routerd.desk.main import main

sys.exit(main())
