"""The page of findings.

findings.py  the page, and closing or following up a finding
lines.py     findings as listed, and what may be done
"""
