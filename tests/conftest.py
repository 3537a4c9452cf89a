"""What holds for every test."""

import os

# Compile kernels so that tests can call each of them, see dispatch/search/_jit.py.
os.environ.setdefault("KEYROUND_KERNEL_OPEN", "1")
