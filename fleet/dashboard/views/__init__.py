"""Pages of no family of their own; a page, its view and its template share one name.

api_reference.py      API reference
baselines.py          Baselines
climate.py            Climate
due.py                Due: columns, sorting, rows of a page; its file; saved views
errors.py             pages for what cannot be shown
evidence.py           Evidence
home.py               the address without a page leads on; which page: home_of in frame.py
method.py             Method
overview.py           Overview
overview_need.py      what waits, opened on the overview
people_and_tokens.py  People and tokens
runs.py               Runs
vehicle.py            Vehicle: readings, duty, why a service is due
vehicle_work.py       what is entered about work on Vehicle
what_if.py            What if
workbook.py           Workbook
"""
