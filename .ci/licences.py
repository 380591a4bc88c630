"""Writes LICENCES.md: every package that siteplanner needs to run, and its licence.

``python .ci/licences.py`` writes it from what is installed, ``--check`` ends with 1 where the
file lacks a package, says another licence than the package, or a licence is not permissive.
"""

from __future__ import annotations

import re
import sys
import tomllib
from importlib.metadata import Distribution, distribution
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).parent.parent
FILE = ROOT / "LICENCES.md"
#: Licences that let anyone use, change and pass on, asking no more than to keep their notice.
#: MPL-2.0 asks in addition that changes to its own files stay open.
PERMISSIVE = {
    "0BSD", "Apache-2.0", "BSD", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "HPND", "ISC",
    "LLVM-exception", "MIT", "MIT-CMU", "MPL-2.0", "PSF-2.0", "Unlicense", "Zlib",
}  # fmt: skip
#: What packages without an SPDX expression say, in SPDX; "BSD" where none says which.
WORDS = {
    "Apache": "Apache-2.0",
    "Apache License": "Apache-2.0",  # exactextract; its LICENSE says Version 2.0
    "Apache Software License": "Apache-2.0",
    "BSD 3-Clause": "BSD-3-Clause",
    "BSD License": "BSD",
    "ISC License (ISCL)": "ISC",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "New BSD": "BSD-3-Clause",
    "Python Software Foundation License": "PSF-2.0",
    # Leaflet's own is BSD-2-Clause (from memory; the package has no licence file).
    "(same as Leaflet)": "BSD-2-Clause",
}
HEAD = """# Licences of what siteplanner needs to run

Made by `.ci/licences.py` from what the packages say of themselves; CI checks that it is current
and that all are permissive. siteplanner itself is under the [MIT licence](LICENSE).

Some packages come with compiled libraries under licences of their own, which their wheels carry
beside them: shapely, rasterio and exactextract with GEOS (LGPL-2.1, a shared library that can be
replaced), numpy and scipy with libgfortran (GPL with the runtime exception).

The extra `desk` adds MapProxy (Apache-2.0) with its own dependencies; of it only the file of
OpenLayers (BSD-2-Clause) is used, and nothing of it is copied.

| package | licence |
| --- | --- |
"""


def needed() -> dict[str, Distribution]:
    """All packages that the dependencies in pyproject.toml bring on this machine, by name."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    found: dict[str, Distribution] = {}
    asked = [(Requirement(line), {""}) for line in project["dependencies"]]
    while asked:
        one, extras = asked.pop()
        name = re.sub(r"[-_.]+", "-", one.name).lower()
        wanted = not one.marker or any(one.marker.evaluate({"extra": e}) for e in extras)
        if not wanted or (name in found and not one.extras):
            continue
        found[name] = distribution(one.name)
        asked += [(Requirement(line), {"", *one.extras}) for line in found[name].requires or []]
    return dict(sorted(found.items()))


def licence_of(package: Distribution) -> str:
    """The SPDX expression, else the classifiers or the licence field in its words."""
    told = package.metadata.get("License-Expression")
    if told:
        return str(told)
    field = str(package.metadata.get("License") or "").strip().split("\n")[0]
    if field in WORDS or field in PERMISSIVE:
        field = WORDS.get(field, field)
        if field != "BSD":
            return field
    kinds = [str(c) for c in package.metadata.get_all("Classifier") or []]
    words = [c.rpartition(" :: ")[2] for c in kinds if c.startswith("License :: ")]
    words = [WORDS.get(word, word) for word in words if word != "OSI Approved"]
    return " AND ".join(dict.fromkeys(words)) or field or "unknown"


def permissive(licence: str) -> bool:
    """Whether every licence of the expression is permissive."""
    parts = re.split(r"\s+(?:AND|OR|WITH)\s+|[()]", licence)
    return all(part.strip() in PERMISSIVE for part in parts if part.strip())


def main() -> int:
    """Write the file, or check it."""
    rows = {name: licence_of(package) for name, package in needed().items()}
    errors = [f"{name}: {said} is not known to be permissive" for name, said in rows.items()
              if not permissive(said)]  # fmt: skip
    if "--check" in sys.argv[1:]:
        text = FILE.read_text(encoding="utf-8")
        listed = dict(re.findall(r"^\| (\S+) \| (.+) \|$", text, re.M))
        errors += [
            f"{name}: LICENCES.md says {listed.get(name, 'nothing')}, the package {said}"
            for name, said in rows.items()
            if listed.get(name) != said
        ]
    else:
        lines = [f"| {name} | {said} |\n" for name, said in rows.items()]
        FILE.write_text(HEAD + "".join(lines), encoding="utf-8")
    print("\n".join(errors) or f"{len(rows)} packages, all permissive")
    return 1 if errors else 0


if __name__ == "__main__":
    raise SystemExit(main())
