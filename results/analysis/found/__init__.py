"""What is found, as plain data: one file a kind of finding; findings.py beside puts them together."""
