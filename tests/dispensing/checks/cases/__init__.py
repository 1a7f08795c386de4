"""Named cases for every check: what it must find (stop, confirm, note, unknown) or that it stays silent (None).

Each table maps a check to (base record, rows); a row is (expected, name, changes to the base record).
"""

from tests.dispensing.checks.cases import frame, lens, measurements, order, prescription

TABLES = (prescription.CASES, frame.CASES, measurements.CASES, lens.CASES, order.CASES)
ALL = {identifier: entry for table in TABLES for identifier, entry in table.items()}
