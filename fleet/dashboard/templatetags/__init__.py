"""What templates call: marks and figures.

dashboard.py  filters of all pages: units, dates, chances, marks
scores.py     words of score tables
shelf.py      sums of fluid as a shelf tells them
then.py       the strip of an earlier forecast
visits.py     how visits read
"""
