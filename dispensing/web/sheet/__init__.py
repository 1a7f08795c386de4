"""The sheet: one dispense on one page, in the order of the work.

load       the dispense of an address, and its sheet put together
entries    fields ↔ record, use cases and Case
present    parts, figures, findings as they are shown;  readings: the scale of readings
catalogue  what can be chosen
answer     the whole page, or named fragments
views      the addresses
"""
