"""Pages about readings and uploads.

chart.py        a small chart beside a held reading
correct_row.py   the right day or value of one row of an upload
figures.py      a meter's figure as it is typed
lines.py        readings as listed; values likely meant
readings.py     the page Readings, uploads, settling one
settle_many.py  many readings settled at once
settlements.py  what was decided, act by act, and taking one back
uploads.py      an upload as shown: progress, totals, rows
"""
