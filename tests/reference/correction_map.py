"""The correction map of a log, by NumPy, for tests/cli/test_review.cpp.

Reads a log in CSV (headings Time, Engine speed, MAP, Correction, Coolant, Throttle; rpm, kPa, percent
added, degF) whose every row can be used, and prints what the rows of a warm, running engine make, as
JSON: mean and size of the correction weighted by load, and the cells.
"""

import csv
import json
import sys

import numpy

with open(sys.argv[1], newline="") as log:
    rows = list(csv.DictReader(log))


def column(heading):
    return numpy.array([float(row[heading]) for row in rows])


speed, pressure, share = column("Engine speed"), column("MAP"), column("Correction") / 100
warm = (column("Coolant") - 32) / 1.8 + 273.15 >= 344  # degF: NIST SP 811 (2008), appendix B.8
used = warm & (speed >= 300)
speed, pressure, share = speed[used], pressure[used], share[used]
weight = pressure * numpy.where(speed < 1200, 0.25, 1.0)
cells = []
at = numpy.column_stack((speed // 500, pressure // 10))
for cell in numpy.unique(at, axis=0):
    inside = share[(at == cell).all(axis=1)]
    cells.append({
        "speed_rpm": 500 * cell[0],
        "map_kPa": 10 * cell[1],
        "readings": len(inside),
        "mean_share": inside.mean(),
        "sd_share": inside.std(ddof=1) if len(inside) > 1 else 0.0,
    })
print(json.dumps({
    "mean_share": numpy.average(share, weights=weight),
    "size_share": numpy.average(abs(share), weights=weight),
    "beyond_share": float((abs(share) > 0.25).mean()),
    "cells": cells,
}))
