"""See `judged.py`. One thread: the figures of cost are of one core."""

import os

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

from tests.outside.witnessed.judged import main  # noqa: E402

raise SystemExit(main())
