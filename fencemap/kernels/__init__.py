"""Plain arrays in, plain arrays out: the loops that must be fast.

Every kernel is ordinary Python that numba compiles; with ``NUMBA_DISABLE_JIT=1``
the same code runs uncompiled and gives the same answers (a test compares
them). Kernels know nothing of layers, files or coordinate systems. Import them
inside functions: numba takes most of a second to load.
"""
