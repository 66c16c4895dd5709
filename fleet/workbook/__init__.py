"""The fleet workbook: one spreadsheet that describes a whole fleet, out of the program and in.

``sheets`` says once what sheets and columns there are; the empty template, loading, exporting
and every check follow from it. A row is a tuple of plain values in the order of its columns;
rows of the book and rows of the fleet have the same form, so loading is a comparison.

    cells.py             a cell in, a plain value out, and back
    columns.py           what a column and a sheet are
    conditions.py        conditions of a duty criterion as written
    sheets.py            the sheets of the book, in the order of loading
    depot_sheets.py      Depots, Closures, Climate
    duty_sheets.py       Duty criteria, Usage sheets
    fluid_sheets.py      Specifications, Products, Product claims, Accepted fluids
    history_sheets.py    Service history, Fills
    part_sheets.py       Fasteners, Tools, Materials, Check figures, Wrenches
    procedure_sheets.py  Cautions, Procedures, Steps
    recheck_sheets.py    Re-checks
    service_sheets.py    Services, Limits
    stock_sheets.py      Items, Packs, Stock
    type_sheets.py       Vehicle types, Compartments
    vehicle_sheets.py    Vehicles, Depot stays, Meter changes
    workshop_sheets.py   Workshops, Bays, Mechanics, days away, Spared types, Needs, Other work
    write.py             the template and the export
    read.py              cells into rows, every fault with its place
    world.py             the fleet and the book side by side, found by natural keys
    notes.py             faults and warnings with their places
    noted.py             a row while its rules are held against it
    rules.py             what the rows must mean together
    workshop_rules.py    the same of workshops and other work
    safety.py            what a procedure must hold: steps, seals and cautions of its family
    numbers.py           which vehicle a fleet number means
    stays.py             a vehicle's depot and its stays must agree
    history_doubts.py    service history that readings contradict
    load.py              all or nothing into the database
    record.py            rows into tables, with their history
    removing.py          how to take away what a book no longer has
    use.py               whose duty class must be decided again
    usual.py             usual duty criteria in a new book
    models.py            SentBook: a workbook sent by page; Load, LoadedRow: what loading changed
    sent.py              a book sent: kept, checked, loaded; who may
    withdraw.py          a load taken back: what is as before, what stays and why
    told.py              what was found in a book, as it is kept

The workbook touches every stage from vehicles to due and ranks with ``chain``: it may import any
stage, and only the command line, the dashboard and the API import it.
"""
