"""Faults put between harness and instruments, over real sockets and serial lines, and what came of each run."""
