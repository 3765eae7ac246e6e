"""How often a sweep's interval holds the truth: random hidden pins, each on a simulated bench of its own.

`make study` runs it, and the page that it writes is docs/study.md.
"""
