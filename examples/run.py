"""Run every example script, and the notebook if its packages are installed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
SCRIPTS = (
    "shelter_curve",
    "wind_beside_a_belt",
    "wind_rose",
    "growth",
    "topex",
    "wind_over_a_hill",
)


def run_scripts(folder: Path) -> None:
    """Run each script; each must write its figure."""
    for name in SCRIPTS:
        subprocess.run([sys.executable, HERE / f"{name}.py", folder], check=True)
        if not (folder / f"{name}.png").is_file():
            raise SystemExit(f"{name}.py wrote no figure")


def run_notebook(folder: Path) -> None:
    """Execute the notebook; an error in a cell ends the program."""
    import nbformat
    from nbclient import NotebookClient

    notebook = nbformat.read(HERE / "from_data_to_decision.ipynb", as_version=4)
    os.environ["EXAMPLE_OUT"] = str(folder / "siting")
    NotebookClient(notebook, timeout=300, resources={"metadata": {"path": HERE}}).execute()
    nbformat.write(notebook, folder / "from_data_to_decision.ipynb")


if __name__ == "__main__":
    out = Path(sys.argv[1]).resolve()
    out.mkdir(parents=True, exist_ok=True)
    run_scripts(out)
    run_notebook(out)
