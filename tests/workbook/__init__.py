"""The fleet workbook, checked from outside: cells in, rows and sentences out."""
