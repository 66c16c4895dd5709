"""What templates call: marks and figures.

dashboard.py  filters of all pages: units, dates, chances, marks
scores.py     words of score tables
then.py       the strip of an earlier forecast
visits.py     how visits read
"""
