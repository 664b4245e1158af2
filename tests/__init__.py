"""Tests run as the command line does: threads of numpy's linear algebra would be in the way of its processes."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is loaded
