"""The demo scenario: invented people, branches, catalogues and dispenses, loaded from fixtures/demo.

files       reading the fixtures
catalogue   frames with their outlines, materials, lens designs, coatings and tints
people      group, branches, staff, labs, clients
history     the clients' earlier pairs
year        the year before today, in bulk from the scenario's orders
scenario    dispenses at every stage, made through the same use cases that people use
"""
