"""Writes golden data, or compares it with what is computed now: what the make.py
beside each golden.json shares.
"""

import json
import sys


def near(a, b, where=""):
    """Says whether two results agree to what processors may differ by."""
    if isinstance(a, dict):
        return a.keys() == b.keys() and all(k == "made_by" or near(a[k], b[k], where + "/" + k) for k in a)
    if isinstance(a, list):
        return len(a) == len(b) and all(near(v, w, where) for v, w in zip(a, b))
    if isinstance(a, float) and isinstance(b, float):
        ok = abs(a - b) <= 1e-9 * max(abs(a), abs(b)) + 1e-12
        if not ok:
            print("%s: %r stored, %r computed" % (where, a, b), file=sys.stderr)
        return ok
    return a == b


def main(compute, path):
    """Runs make.py: compute returns the data, path is where it is kept."""
    now = compute()
    if sys.argv[1:] == ["--check"]:
        with open(path, encoding="utf-8") as f:
            stored = json.load(f)
        if not near(stored, json.loads(json.dumps(now))):
            sys.exit("golden.json is not what make.py computes")
        return
    if sys.argv[1:]:
        sys.exit("usage: make.py [--check]")
    with open(path, "w", encoding="utf-8") as f:
        json.dump(now, f, indent=1, ensure_ascii=False)
        f.write("\n")

