#!/usr/bin/env python3
"""Set up Nightfold on a fresh machine and run one thing: the demo, the tests, or the checks.

    python3 dev.py demo     makes an environment in .venv, then runs the main job end to end on invented frames
    python3 dev.py test     the same with the test tools, then the test suite (arguments go to pytest)
    python3 dev.py check    lint, types and the layer test, after `test`
    python3 dev.py docs     remakes the command reference in docs/ and builds the site in build/site
    python3 dev.py audit    asks the public advisories about every installed dependency; needs a network
    python3 dev.py fuzz     searches for inputs that break a reader (arguments go to fuzz/run.py)

Only the standard library, so that any Python that starts can run it; the environment itself needs 3.11 or later.
"""

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent
ENVIRONMENT = ROOT / os.environ.get("NIGHTFOLD_VENV", ".venv")
BIN = ENVIRONMENT / ("Scripts" if os.name == "nt" else "bin")
PYTHON = BIN / ("python.exe" if os.name == "nt" else "python")
DEBIAN_PACKAGES = {"fitsverify": "fitsverify", "chromium": "chromium", "pg_lsclusters": "postgresql"}


def run(*command, **options):
    """Run a command in the project's folder; its failure is ours."""
    code = subprocess.call([str(c) for c in command], cwd=str(ROOT), **options)
    if code:
        sys.exit(code)


def suitable_python():
    """A Python of 3.11 or later: this one, or one on the path."""
    candidates = [sys.executable, *("python3.%d" % minor for minor in (13, 12, 11)), "python3"]
    for candidate in candidates:
        path = shutil.which(candidate) if candidate else None
        probe = "import sys; sys.exit(sys.version_info < (3, 11))"
        if path and subprocess.call([path, "-c", probe], stderr=subprocess.DEVNULL) == 0:
            return path
    sys.exit("Nightfold needs Python 3.11 or later; none was found on the path: install one and run this again.")


def set_up(extras):
    """Make the environment, or bring it up to date when pyproject.toml or the pins changed."""
    stamp = ENVIRONMENT / ("installed-" + (extras or "plain"))
    newest = max((ROOT / name).stat().st_mtime for name in ("pyproject.toml", "constraints.txt"))
    if PYTHON.exists() and stamp.exists() and stamp.stat().st_mtime >= newest:
        compile_modules()
        return
    if not PYTHON.exists():
        run(suitable_python(), "-m", "venv", ENVIRONMENT)
    wanted = "." + ("[%s]" % extras if extras else "")
    print("Installing Nightfold into %s …" % ENVIRONMENT.name, flush=True)
    run(PYTHON, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "-c", "constraints.txt", "-e", wanted)
    stamp.write_text(time.strftime("%Y-%m-%d\n"))
    compile_modules()


def compile_modules():
    """Modules to bytecode, as installing them elsewhere would: each command starts 0.1 s sooner where Python may not write it itself."""
    subprocess.call([str(PYTHON), "-m", "compileall", "-q", "src"], cwd=str(ROOT))


def install_debian_packages():
    """Tools the tests check against that come from Debian; without the right to install, their tests skip and say so."""
    missing = [package for tool, package in DEBIAN_PACKAGES.items() if not shutil.which(tool)]
    if not missing or not shutil.which("apt-get"):
        return
    prefix = [] if os.geteuid() == 0 else ["sudo", "-n"]
    if prefix and not shutil.which("sudo"):
        return
    for command in (["apt-get", "update", "-qq"], ["apt-get", "install", "-y", "-qq", *missing]):
        subprocess.call([*prefix, *command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def main(arguments):
    what, rest = (arguments[0], arguments[1:]) if arguments else ("help", [])
    if what == "demo":
        set_up("")
        run(BIN / "nightfold", "demo", *(rest or ["demo-campaign"]))
    elif what == "test":
        set_up("test")
        install_debian_packages()
        run(PYTHON, "-m", "pytest", "-n", "2", "--dist", "loadgroup", "-m", "not full", *rest)
    elif what == "check":
        set_up("test")
        run(PYTHON, "-m", "ruff", "check", ".")
        run(PYTHON, "-m", "ruff", "format", "--check", ".")
        run(PYTHON, "-m", "mypy")
        run(PYTHON, "-m", "pytest", "tests/test_layers.py")
    elif what == "docs":
        set_up("test")
        run(PYTHON, "docs/make_commands.py")
        run(PYTHON, "-m", "mkdocs", "build", "--strict", "--quiet")
        print("The site is in build/site/index.html.")
    elif what == "audit":
        set_up("test")
        run(PYTHON, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "pip-audit")
        run(PYTHON, "-m", "pip_audit", "--skip-editable", *rest)
    elif what == "fuzz":
        set_up("fuzz")
        run(PYTHON, "fuzz/run.py", *rest)
    else:
        print(__doc__.strip())
        sys.exit(0 if what in ("help", "-h", "--help") else 2)


if __name__ == "__main__":
    main(sys.argv[1:])
