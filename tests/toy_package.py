"""Third-party packages as an installer leaves them: modules in a folder, with their metadata."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path


def install(
    folder: Path,
    name: str,
    offers: Mapping[str, Mapping[str, str]],
    files: Mapping[str, str],
    version: str = "1.0",
) -> Path:
    """Install a package into a folder for ``sys.path``; give the folder.

    ``offers`` are entry points by group, ``files`` the text of each source file by its path.
    """
    for path, text in files.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_text(text, encoding="utf-8")
    metadata = folder / f"{name.replace('-', '_')}-{version}.dist-info"
    metadata.mkdir(parents=True)
    (metadata / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n")
    (metadata / "RECORD").write_text("".join(f"{path},,\n" for path in files))
    lines = []
    for group, entries in offers.items():
        lines += [f"[{group}]", *(f"{entry} = {value}" for entry, value in entries.items())]
    (metadata / "entry_points.txt").write_text("\n".join(lines) + "\n")
    return folder
