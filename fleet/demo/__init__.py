"""The demo: an invented parcel company with three invented depots and 48 vans.

Everything in it is invented and says so. The rows stand in ``fixtures/*.csv``, a file per sheet
of the fleet workbook, each row with its source; a date is written as days from today
(``today-400``), so that the demo is always about now. Two columns go beyond the workbook and are
left out of it: "Km per working day" and "Story" in vehicles.csv. What depends on how a van was
driven is drawn from it with a fixed seed: the same day gives the same demo.

    fixtures.py  rows of fixtures/*.csv with their dates
    drive.py     how each van was driven, day by day
    history.py   services done, fills and usage sheets that fit
    logbooks.py  what people noted of the odometers, slips included
    files.py     these notes as spreadsheets, as each depot sends them
    orders.py    work orders in every state, findings, outside papers
    trial.py     a running field trial of a dearer gearbox oil
    build.py     the workbook, the people, the uploads and the orders

It uses the same ways in as everybody: the workbook, uploads of odometer spreadsheets, and the
verbs that change orders. It
ranks with ``chain``: it may import any stage, and only the command line imports it.
"""
