"""The duty class of each vehicle and compartment, month by month, with its evidence.

The limits of criteria are data: sheet *Duty criteria*, to begin with ``fixtures/criteria.csv``.

admin.py     criteria in the administration pages
assess.py    the class of each compartment, month by month; how far back at first
climate.py   a weather service's file of days taken in
lacking.py   why nothing can make a compartment severe
listing.py   classes and overrides as listed
measures.py  monthly measures that a criterion can name, with their units
models.py    Criterion, DutyAssessment, DutyOverride
override.py  a supervisor's own decision on a class
"""
