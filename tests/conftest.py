"""No test here fails because the machine is slow: speed is measured in tests/bench, as a ratio."""

import os
import signal

from hypothesis import settings

# fifty examples a run, others each time; the long search is tests/fuzz/guided.py
settings.register_profile("unhurried", deadline=None, max_examples=50)
settings.load_profile("unhurried")

# before numpy is loaded: on a small machine its threads wait for each other ten times as long as
# these small matrices take
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

# pytest loads readline, which tells every process it starts that the terminal has 80 columns:
# here a pipe is a pipe, and a test that wants a width says so
for name in ("COLUMNS", "LINES"):
    os.environ.pop(name, None)

# A shell starts what runs in its background with ^C ignored, and every process started from there
# inherits that: what these tests interrupt would wait for ever.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
