"""The commands, one file per subject.

Each file has ``register(commands)``: it adds its parsers and names the function that runs,
``set_defaults(run=function)``. A file imports Django and ``fleet`` inside its functions only, so
that help appears at once. Defaults understood by the command line beside ``run``:
``database=False`` for a command that works without one, ``new=True`` for one that may make a new
one, ``of_vehicles=True`` for one whose answer means nothing where there is no vehicle.

backtest.py  backtest
backup.py    backup and restore
check.py     check
climate.py   climate
demand.py    demand
demo.py      demo
doctor.py    doctor
due.py       due and explain
export.py    export
fleet.py     fleet template, export, load
migrate.py   migrate
nightly.py   nightly
people.py    person, token, sign-in
plan.py      plan
serve.py     serve
settle.py    settle
trial.py     trial
upload.py    upload
whatif.py    whatif
"""
