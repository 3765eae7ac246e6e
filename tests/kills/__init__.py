"""Runs killed at random instants in front of a simulated bench, resumed, and compared with one that nobody disturbed.

Run by hand: python -m tests.kills --kills 200
"""
