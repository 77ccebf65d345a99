"""Compares a sheet of a workbook with a CSV by openpyxl: workbook.py BOOK SHEET CSV."""

import csv
import sys

import openpyxl

book, name, text = sys.argv[1:]
sheet = openpyxl.load_workbook(book)[name]
with open(text, newline="", encoding="utf-8") as file:
    rows = list(csv.reader(file))
assert (sheet.max_row, sheet.max_column) == (len(rows), len(rows[0])), "size"
numbers = formats = 0
for cells, fields in zip(sheet.iter_rows(), rows):
    for cell, field in zip(cells, fields):
        if cell.data_type == "n" and cell.value is not None:
            assert float(cell.value) == float(field), (cell.coordinate, cell.value, field)
            formats += cell.number_format.startswith("0")
            numbers += 1
        else:
            assert cell.data_type in "ns", (cell.coordinate, cell.data_type)
            assert (cell.value or "") == field, (cell.coordinate, cell.value, field)
assert formats == numbers, "number formats"
assert sheet.freeze_panes and sheet.auto_filter.ref, "panes and filter"
assert sheet.page_setup.orientation == "landscape" and sheet.print_title_rows, "page"
print("same", len(rows), "rows,", numbers, "numbers")
