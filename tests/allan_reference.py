"""Holds `hushbeat drift` against allantools (PyPI) on a random series of 10 000 values.

usage: allan_reference.py PROGRAM

Prints "skipped" and ends with 0 where allantools or numpy is missing; else every deviation that both give has to agree
to a part in 1e9.
"""

import json
import os
import subprocess
import sys
import tempfile

try:
    import allantools
    import numpy
except ImportError as missing:
    print(f"skipped: {missing}")
    sys.exit(0)

y = numpy.random.default_rng(20261125).normal(size=10_000) * 1e-9
with tempfile.TemporaryDirectory() as folder:
    path = os.path.join(folder, "series.csv")
    with open(path, "w") as out:
        out.write("value\n" + "\n".join(repr(float(v)) for v in y) + "\n")
    told = subprocess.run(
        [sys.argv[1], "drift", "--series", path, "--tau0", "1s", "--json"], check=True, capture_output=True
    )
stability = json.loads(told.stdout)["stability"]
names = {
    "overlapping_allan": allantools.oadev,
    "modified_allan": allantools.mdev,
    "time": allantools.tdev,
    "hadamard": allantools.ohdev,
    "total": allantools.totdev,
}
worst = 0.0
compared = 0
for name, reference in names.items():
    ours = {point["tau_s"]: point["value"] for point in stability[name]}
    taus, values, _, _ = reference(y, rate=1.0, data_type="freq", taus=sorted(ours))
    for tau, value in zip(taus, values):
        worst = max(worst, abs(ours[float(tau)] / value - 1.0))
        compared += 1
assert compared >= 40, compared
assert worst < 1e-9, worst
print(f"{compared} deviations agree to {worst:.1e}")
