"""Settings for all tests."""

import signal
import threading

from hypothesis import settings

# A busy machine makes single examples slow; time is watched by the benchmarks, not by each property.
settings.register_profile("steady", deadline=None)
settings.load_profile("steady")

# A shell starts what runs in the background with Ctrl-C ignored, and every program that a test starts would inherit that.
if threading.current_thread() is threading.main_thread() and signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
