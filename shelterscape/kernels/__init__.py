"""Numbers in, numbers out: the fast inner loops.

Kernels assume good input and never raise; science checks once before calling them.
"""
