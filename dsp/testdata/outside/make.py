#!/usr/bin/python3
"""Numbers from outside the project, for tests of what the project computes itself.

Needs scipy and numpy (Debian: python3-scipy). Run in this folder:

    /usr/bin/python3 make.py            writes golden.json
    /usr/bin/python3 make.py --check    compares golden.json with what is computed now

No test runs this: tests read golden.json. The inputs are made here with a
fixed seed and stored with the outputs, so nothing depends on the generator.
"""

import os
import sys

import numpy
import scipy
import scipy.signal
import scipy.special
import scipy.stats

HERE = os.path.dirname(os.path.abspath(__file__))
PATH = os.path.join(HERE, "golden.json")
sys.dont_write_bytecode = True
import golden


def floats(a):
    return [float(v) for v in numpy.asarray(a).ravel()]


def compute():
    rng = numpy.random.Generator(numpy.random.PCG64(20240607))
    out = {
        "made_by": "make.py; scipy %s, numpy %s" % (scipy.__version__, numpy.__version__)
    }

    x = [0.0, 1e-6, 0.1, 0.5, 1.0, 2.0, 3.75, 5.0, 6.0, 8.6, 12.0, 20.0]
    out["bessel_i0"] = {
        "source": "scipy.special.i0",
        "x": x,
        "want": floats(scipy.special.i0(x)),
    }

    cases = []
    for n, beta in [(9, 5.0), (33, 6.0), (64, 8.6), (97, 2.5)]:
        cases.append(
            {"n": n, "beta": beta, "want": floats(scipy.signal.windows.kaiser(n, beta))}
        )
    out["kaiser"] = {"source": "scipy.signal.windows.kaiser(n, beta, sym=True)", "cases": cases}

    cases = []
    for x in [
        [3.0],
        [1.0, 2.0],
        [1.0, 2.0, 3.0, 4.0],
        [5.0, -1.0, 5.0, 5.0, 5.0],
        [1e6, 1e6 + 1, 1e6 + 3, 1e6 - 2, 1e6 + 100],
        floats(rng.normal(2.0, 0.3, 31)),
        floats(rng.standard_cauchy(40)),
    ]:
        cases.append(
            {
                "x": x,
                "median": float(numpy.median(x)),
                "mad": float(scipy.stats.median_abs_deviation(x, scale="normal")),
            }
        )
    out["spread"] = {
        "source": "numpy.median; scipy.stats.median_abs_deviation(scale='normal')",
        "cases": cases,
    }

    cases = []
    for n in [1, 2, 5, 20]:
        a = rng.normal(size=(n, n + 2))
        c = a @ a.T + 0.05 * numpy.eye(n)
        y = rng.normal(size=n)
        log = scipy.stats.multivariate_normal(mean=numpy.zeros(n), cov=c).logpdf(y)
        cases.append(
            {
                "n": n,
                "cov": floats(c),
                "y": floats(y),
                "want": float(log + n / 2 * numpy.log(2 * numpy.pi)),
            }
        )
    out["evidence"] = {
        "source": "scipy.stats.multivariate_normal.logpdf, n/2·log(2π) added",
        "cases": cases,
    }

    cases = []
    for n, terms in [(12, 3), (40, 4), (200, 3), (200, 4)]:
        t = numpy.arange(n) - n / 3
        s = numpy.exp(-((t / (n / 8)) ** 2))
        d = numpy.gradient(s)
        j = (numpy.arange(n) - (n - 1) / 2) / n
        columns = numpy.stack([s, d, numpy.ones(n), j][:terms], axis=1)
        g = columns.T @ columns
        cases.append(
            {
                "shape": floats(s),
                "deriv": floats(d),
                "terms": terms,
                "gram": floats(g),
                "inverse": floats(numpy.linalg.inv(g)),
            }
        )
    out["gram"] = {"source": "numpy matrix product; numpy.linalg.inv", "cases": cases}

    def welch(x, fs, n):
        x = numpy.asarray(x) - numpy.mean(x)
        f, p = scipy.signal.welch(
            x, fs, window="hann", nperseg=n, noverlap=n // 2, detrend=False
        )
        return {"x": floats(x), "rate": fs, "segment": n, "freq": floats(f), "psd": floats(p)}

    x = numpy.zeros(16)
    x[0] = x[8] = 1
    t = numpy.arange(600) / 1000.0
    noisy = 0.3 * numpy.sin(2 * numpy.pi * 50 * t) + 0.02 * rng.normal(size=600) + 0.25
    out["welch"] = {
        "source": "scipy.signal.welch(hann, half overlap, detrend=False) of x less its mean",
        "cases": [welch(x, 1.0, 8), welch(noisy, 1000.0, 128), welch(noisy[:301], 48000.0, 100)],
    }
    return out


if __name__ == "__main__":
    golden.main(compute, PATH)
