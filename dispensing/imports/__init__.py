"""Catalogues read from files and written to them.

files     a CSV file or a workbook as lines of cells, read piece by piece with every size bounded
cells     what a cell means; text that a spreadsheet would take for a formula, made harmless and read back
kinds     frames, lens designs, lens options: their columns, keys, and what a line does to a row
jobs      one file from choosing it to carrying it out, in steps that anybody may take (a page, `manage.py work_imports`)
undo      taking the last import back
export    the same columns, written line by line
"""
