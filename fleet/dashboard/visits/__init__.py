"""Pages about the workshop days of a depot.

calendar.py       the calendar's address, and the calendar
lines.py          how a plan reads: reasons, loads, prices
publish_days.py   publishing: first what will change
visit.py          one visit: move, lock, free, promise
workshop_days.py  the page Workshop days, and planning anew
"""
