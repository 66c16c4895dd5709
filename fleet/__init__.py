"""The fluid services of a vehicle fleet: from dirty odometer readings to work orders.

Data flows one way, and each folder is one stage of it. A file named with a verb is what the
stage does; DEVELOPERS.md names the arithmetic of each in ``calc``.

    calc/        pure arithmetic on arrays; knows no framework, no clock and no files
    units.py     text and quantities with units in, plain floats out
    bulk.py      many rows between arrays and the database
    reads.py     several lists of a page by one trip to the database
    prepared.py  the SQL of a question, written once for many values
    rowcopies.py rows as models, copied where they are as before
    behind.py    lists that go on behind a row
    lasting.py   parts of answers that are written as JSON once
    moment.py    several statements that see one instant
    faults.py    what a person can put right, in one sentence
    tables.py    lists as CSV and XLSX
    trace.py     which request, work and person a line of the log is about
    today.py     what day it is at a depot

    people/      who may do what, and where
    vehicles/    depots, climate, vehicle types, compartments, vehicles, meters
    stores/      specifications, products, items; stock and the ledger it is the sum of
    runs/        the ledger of jobs: what ran, what is owed, and when a night is due
    readings/    odometer sheets, telematics and single readings in; a verdict on each
    usage/       how much each vehicle runs
    duty/        normal or severe, per vehicle and compartment, and why
    due/         services, limits, what was done, and when each falls due next
    hindcast/    whether past dates came true, what was said then, and by how much bands are widened
    workorders/  from due services to work done, recorded and followed up
    visits/      which vehicle comes in on which day, and what is done together
    consumables/ what stores will need, month by month, and what to order
    trials/      whether a dearer fluid is worth its price, at equal fluid age
    overview/    what is due, what needs somebody, what happened since they last looked

    chain.py     the only place that knows the order: refresh(vehicles) and nightly(day)
    checks.py    whether the fleet agrees with itself
    copies.py    the whole database from one place to another
    handover.py  the rows of one depot, for whoever takes it over
    workbook/    the whole fleet as one spreadsheet: template, load, export
    demo/        an invented fleet to look at
    whatif/      what would change if, worked out on copies beside today's
    jobs.py      every background task
    dashboard/   the pages
    api/         the REST API

A stage imports only from what stands above it in this list.
"""
