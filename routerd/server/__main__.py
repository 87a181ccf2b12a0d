"""`python -m routerd.server`: started by the engine, with one end of their link as an open socket."""

import os
import sys

if hasattr(os, "sched_setscheduler"):
    # The engine is real-time and hands that on; talking to people is not, and must give way to the clock.
    os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))

from routerd.server.main import main

sys.exit(main())
