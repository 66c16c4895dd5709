"""Pages about field trials.

charts.py        charts of a field trial
field_trial.py   one field trial
field_trials.py  field trials, and setting one up
lines.py         what these pages say
rate.py          rating on a phone
"""
