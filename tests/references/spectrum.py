#!/usr/bin/env python3
"""The ultraviolet of the standard solar spectrum and its UV index, for the tests of src/science/uv.rs.

Needs `pvlib==0.16.1` (PyPI), which ships ASTM G173-03 as NREL publishes it: the global spectrum on a surface tilted by
37 degrees at air mass 1.5, with 0.3438 atm-cm (344 DU) of ozone.

    spectrum.py FILE           writes the fixture
    spectrum.py --check FILE   computes it again and compares; exit 1 where it differs

The index is integrated here with weights written out anew from ISO/CIE 17166 and by scipy's Simpson rule, so that
neither the weights nor the trapezoids of the program under test are in it.
"""

import sys

import numpy
import pvlib
from scipy.integrate import simpson, trapezoid

TOLERANCE = 1e-9


def weight(nm):
    """The erythema reference action spectrum."""
    if nm <= 298:
        return 1.0
    return 10 ** (0.094 * (298 - nm)) if nm <= 328 else 10 ** (0.015 * (140 - nm))


def computed():
    """Wavelengths in nm, irradiance in W/(m² nm), the index by Simpson's rule and by trapezoids."""
    spectrum = pvlib.spectrum.get_reference_spectra(standard="ASTM G173-03")["global"].loc[280:400]
    wavelengths = spectrum.index.to_numpy(float)
    irradiance = spectrum.to_numpy(float)
    weighted = irradiance * numpy.array([weight(nm) for nm in wavelengths])
    return wavelengths, irradiance, 40 * simpson(weighted, x=wavelengths), 40 * trapezoid(weighted, wavelengths)


def text():
    """The fixture."""
    wavelengths, irradiance, by_simpson, by_trapezoids = computed()
    rows = "".join(f"{nm:g},{float(value)!r}\n" for nm, value in zip(wavelengths, irradiance))
    return (
        "# ASTM G173-03, global, 280 to 400 nm, as pvlib 0.16.1 (PyPI) ships it; W/(m2 nm).\n"
        "# Made by tests/references/spectrum.py; `spectrum.py --check` proves it.\n"
        f"# uvi by simpson: {by_simpson:.9f}\n"
        f"# uvi by trapezoids: {by_trapezoids:.9f}\n"
        "nm,irradiance\n" + rows
    )


def numbers(content):
    """Every number of a fixture, those of the comments that end in one too."""
    lines = [line for line in content.splitlines() if not line.startswith("#") or "uvi by" in line]
    return [[float(part) for part in line.split(":")[-1].split(",")] for line in lines if line != "nm,irradiance"]


def main(arguments):
    """Writes or checks the fixture; returns the exit code."""
    path = arguments[-1]
    if arguments[:1] != ["--check"]:
        with open(path, "w", encoding="utf-8") as file:
            file.write(text())
        return 0
    with open(path, encoding="utf-8") as file:
        stored, fresh = numbers(file.read()), numbers(text())
    same_shape = [len(row) for row in stored] == [len(row) for row in fresh]
    if same_shape and numpy.allclose(sum(stored, []), sum(fresh, []), rtol=TOLERANCE, atol=TOLERANCE):
        return 0
    print(f"{path} is not what pvlib gives today")
    return 1


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    sys.exit(main(sys.argv[1:]))
