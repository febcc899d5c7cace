"""Numba kernels on plain arrays; each file stands alone (numba caches do not follow calls out)."""
