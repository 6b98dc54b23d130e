#!/usr/bin/python3
"""Numbers from outside the project, for tests of verdicts, uncertainty and angles.

Needs scipy and numpy (Debian: python3-scipy). Run in this folder:

    /usr/bin/python3 make.py            writes golden.json
    /usr/bin/python3 make.py --check    compares golden.json with what is computed now

No test runs this: tests read golden.json.

The inputs named "JCGM 106" are those of examples of JCGM 106:2012 as they are
remembered, with the probability printed there to two figures; the document was
not at hand. What is compared with is computed here, from the formulas:

    one limit above    p = F((TU - y)/u)                 (7.3 there, from memory)
    two limits         p = F((TU - y)/u) - F((TL - y)/u) (7.4 there, from memory)

F being the standard normal distribution function, or that of Student's t with
the degrees of freedom of u.
"""

import os
import sys

import numpy
import scipy
import scipy.integrate
import scipy.special
import scipy.stats

HERE = os.path.dirname(os.path.abspath(__file__))
PATH = os.path.join(HERE, "golden.json")
sys.dont_write_bytecode = True
sys.path.insert(0, os.path.join(HERE, "..", "..", "..", "dsp", "testdata", "outside"))
import golden


def floats(a):
    return [float(v) for v in numpy.asarray(a).ravel()]


def conformity(below, y, lower, upper):
    """Probability within the limits, below(x) being P(error < x), None no limit."""
    hi = 1.0 if upper is None else below(upper - y)
    lo = 0.0 if lower is None else below(lower - y)
    return float(hi - lo)


def normal(u):
    return lambda x: scipy.stats.norm.cdf(x / u)


def student(u, dof):
    return lambda x: scipy.stats.t.cdf(x / u, dof)


def mixed(u, half, sine):
    """P(sum < x) of a normal of u, a rectangular of +-half, a sine of amplitude sine."""

    def one(x):
        # Over the phase of the sine the mean of (normal + rectangular) below x.
        def over(phase):
            v = x - sine * numpy.cos(phase)
            if half == 0:
                return scipy.stats.norm.cdf(v / u)
            # The mean of the normal distribution function over v-half..v+half:
            # its integral is x*F(x) + f(x).
            def whole(z):
                return z * scipy.stats.norm.cdf(z) + scipy.stats.norm.pdf(z)

            return (whole((v + half) / u) - whole((v - half) / u)) * u / (2 * half)

        if sine == 0:
            return over(0.0)
        return scipy.integrate.quad(over, 0, numpy.pi, epsabs=1e-12, limit=200)[0] / numpy.pi

    return one


def compute():
    out = {"made_by": "make.py; scipy %s, numpy %s" % (scipy.__version__, numpy.__version__)}

    cases = []
    for name, y, u, lower, upper, printed in [
        ("JCGM 106: breakdown voltage of at most -5.40 V", -5.47, 0.05, None, -5.40, 0.92),
        ("JCGM 106: burst strength of at least 490 kPa", 509.7, 8.6, 490.0, None, 0.99),
        ("JCGM 106: viscosity from 12.5 to 16.3 mm2/s", 13.6, 1.8, 12.5, 16.3, 0.66),
        ("in the middle, tolerance of 4 u", 10.0, 1.0, 8.0, 12.0, None),
        ("in the middle, tolerance of 2 u", 10.0, 1.0, 9.0, 11.0, None),
        ("on a limit, tolerance of 8 u", 12.0, 0.5, 8.0, 12.0, None),
        ("on a limit, tolerance of 1 u", 12.0, 4.0, 8.0, 12.0, None),
        ("half a degree inside", 24.5, 0.31, 23.0, 25.0, None),
        ("half a degree outside", 25.5, 0.31, 23.0, 25.0, None),
    ]:
        cases.append(
            {
                "name": name,
                "y": y,
                "u": u,
                "lower": lower,
                "upper": upper,
                "printed": printed,
                "want": conformity(normal(u), y, lower, upper),
            }
        )
    out["normal"] = {"source": "scipy.stats.norm.cdf", "cases": cases}

    cases = []
    for dof in [2.0, 3.0, 5.0, 10.0, 30.0]:
        for lower, upper in [(None, 0.0), (-3.0, 0.0)]:
            for z in [0.0, 0.5, 1.0, 1.5, 2.0, 2.5]:
                if lower is not None and z > 1.5:
                    continue
                cases.append(
                    {
                        "dof": dof,
                        "y": -z,
                        "u": 1.0,
                        "lower": lower,
                        "upper": upper,
                        "want": conformity(student(1.0, dof), -z, lower, upper),
                    }
                )
    # A normal distribution widened so that it holds 95 % between the same bounds
    # as t: how far below and above t's its distribution function comes, above
    # the middle, and what it has where t has 95 %.
    widened = []
    for dof in [2.0, 3.0, 5.0, 10.0, 30.0]:
        at = scipy.stats.t.ppf(0.975, dof)
        f = at / scipy.stats.norm.ppf(0.975)
        x = numpy.linspace(0, 40, 400001)
        d = scipy.stats.norm.cdf(x / f) - scipy.stats.t.cdf(x, dof)
        p95 = scipy.stats.norm.cdf(scipy.stats.t.ppf(0.95, dof) / f)
        widened.append({"dof": dof, "below": float(-d.min()), "above": float(d.max()), "at975": float(at), "for95": float(p95)})
    out["student"] = {"source": "scipy.stats.t.cdf, ppf", "cases": cases, "widened": widened}

    # Guard bands: acceptance limit A = T - w, w = r U, U = 2 u (8.3 there, from
    # memory). Measured on the acceptance limit, of the two-sided tolerance of
    # width T, what conforms; and the w that leaves a conformity probability p
    # there, one-sided: w = u F^-1(p).
    cases = []
    for width in [6.0, 8.0, 20.0]:  # in u
        for r in [0.0, 0.5, 0.8224, 1.0, -1.0]:
            y = width / 2 - 2 * r
            cases.append({"width": width, "r": r, "want": conformity(normal(1.0), y, -width / 2, width / 2)})
    out["guard"] = {
        "source": "scipy.stats.norm.cdf, ppf",
        "cases": cases,
        "p": [0.8, 0.9, 0.95, 0.99],
        "w": floats(scipy.stats.norm.ppf([0.8, 0.9, 0.95, 0.99])),
    }

    cases = []
    for u, half, sine in [(0.3, 1.0, 0.0), (0.05, 0.5, 0.0), (0.2, 0.0, 1.0), (0.1, 0.5, 0.4), (0.4, 0.5, 0.4)]:
        for y, tol in [(0.0, 1.0), (0.7, 1.0), (1.0, 1.0), (1.4, 1.0), (4.5, 5.0), (0.2, 0.3)]:
            cases.append(
                {
                    "u": u,
                    "half": half,
                    "sine": sine,
                    "y": y,
                    "tol": tol,
                    "want": conformity(mixed(u, half, sine), y, -tol, tol),
                }
            )
    out["mixed"] = {"source": "closed form for normal + rectangular; scipy.integrate.quad over the sine's phase", "cases": cases}

    # Directions: the nine stops of a roulette wheel, K. V. Mardia and P. E. Jupp,
    # Directional Statistics, 2000, chapter 2 (data and printed 51 degrees and
    # 0.711 from memory), and a set about the wrap.
    cases = []
    for x, printed in [([43, 45, 52, 61, 75, 88, 88, 279, 357], [51.0, 0.711]), ([359.5, 0.25, 1.0, 358.75, 0.5, 359.0], None)]:
        x = [float(v) for v in x]
        r = numpy.radians(x)
        cases.append(
            {
                "x": x,
                "printed": printed,
                "mean": float(numpy.degrees(scipy.stats.circmean(r, high=numpy.pi, low=-numpy.pi))),
                "length": float(1 - scipy.stats.circvar(r)),
            }
        )
    out["circular"] = {"source": "scipy.stats.circmean; 1 - scipy.stats.circvar", "cases": cases}
    return out


if __name__ == "__main__":
    golden.main(compute, PATH)
