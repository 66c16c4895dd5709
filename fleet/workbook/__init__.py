"""The fleet workbook: one spreadsheet that describes a whole fleet, out of the program and in.

``sheets`` says once what sheets and columns there are; the empty template, loading, exporting
and every check follow from it. A row is a tuple of plain values in the order of its columns;
rows of the book and rows of the fleet have the same form, so loading is a comparison.

    cells.py    a cell in, a plain value out, and back
    columns.py  what a column and a sheet are
    sheets.py   the sheets of the book; *_sheets.py describe them
    write.py    the template and the export
    read.py     cells into rows, every fault with its place
    world.py    the fleet and the book side by side, found by natural keys
    notes.py    faults and warnings with their places
    rules.py    what the rows must mean together
    safety.py   what a procedure must hold: steps, seals and cautions of its family
    numbers.py  which vehicle a fleet number means
    stays.py    a vehicle's depot and its stays must agree
    load.py     all or nothing into the database
    record.py   rows into tables, with their history
    use.py      whose duty class must be decided again

The workbook touches every stage from vehicles to due and ranks with ``chain``: it may import any
stage, and only the command line, the dashboard and the API import it.
"""
