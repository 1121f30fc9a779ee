"""What happens to a file between its arrival and its first use: staged, stripped, masked, kept.

Nothing in this package imports Django. An untrusted file is opened only in the child process.
"""
