"""Fast inner loops on arrays and numbers.

Kernels assume valid input and never raise; `science` checks it before it calls them.
"""
