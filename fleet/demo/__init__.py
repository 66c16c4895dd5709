"""The demo: an invented parcel company with three invented depots and 48 vans.

Everything in it is invented and says so. The rows stand in ``fixtures/*.csv``, a file per sheet
of the fleet workbook, each row with its source; a date is written as days from today
(``today-400``), so that the demo is always about now. Two columns go beyond the workbook and are
left out of it: "Km per working day" and "Story" in vehicles.csv. What depends on how a van was
driven is drawn from it with a fixed seed: the same day gives the same demo.

    fixtures.py      rows of fixtures/*.csv with their dates
    drive.py         how each van was driven, day by day
    history.py       what was done before the program was there, and usage sheets
    service_days.py  on which days each van was serviced since
    logbooks.py      what people noted of the odometers, slips included
    files.py         these notes as spreadsheets, as each depot sends them
    stations.py      older notes, as the fuel stations sent them
    as_workbook.py   the fleet workbook, as the fleet stood on a day
    past.py          three years, month by month
    clock.py         the instant that the verbs take for now meanwhile
    papers.py        work of outside workshops
    deferring.py     services put off for some days
    own_work.py      work in the depots' own bays
    storekeeping.py  stock: taken in, counted, written off, ordered as proposed
    settling.py      what the clerk decides about held readings
    bench.py         one job: what its procedure asks for, recorded
    orders.py        today's work in every state, findings, outside papers
    trial.py         field trials of a dearer gearbox oil: one that ended, one that runs
    workshops.py     bays, mechanics, who is away; a first plan
    build.py         all of it in its order

It uses the same ways in as everybody: the workbook, uploads of odometer spreadsheets, and the
verbs that change orders, on the days on which it would have happened. No figure that the program
works out is set by hand. Three years do not need a thousand nights: the verbs run where something
happened, and for all vans at each month's end. It
ranks with ``chain``: it may import any stage, and only the command line imports it.
"""
