"""The distribution alone, without extras: small, and it works with a service elsewhere."""

import subprocess
import venv
from pathlib import Path

from tests.serving import Serving

ROOT = Path(__file__).parents[1]
SCRIPT = """
import sys
from importlib.util import find_spec
from catchpan import Catchpan
from catchpan.contract.materials import MaterialRequest

assert not any(find_spec(name) for name in ("numpy", "scipy", "sqlalchemy", "litestar", "uvicorn"))
with Catchpan(sys.argv[1], key=sys.argv[2]) as client:
    made = client.add_material(MaterialRequest(name="Hollow"))
    print([one.name for one in client.all_materials()], made.version)
"""


def test_without_extras_it_imports_and_talks_to_a_remote_service(tmp_path):
    venv.create(tmp_path / "bare", with_pip=True)
    python = tmp_path / "bare" / "bin" / "python"
    constraints = ROOT / "deploy" / "constraints.txt"
    install = [python, "-m", "pip", "install", "-q", "--disable-pip-version-check", "-c", constraints, ROOT]
    subprocess.run(install, check=True, capture_output=True)
    with Serving(tmp_path) as serving:
        done = subprocess.run(
            [python, "-c", SCRIPT, serving.url, serving.key], capture_output=True, text=True, check=False
        )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "['Hollow'] 1"
    alone = [python, "-m", "catchpan", "material", "list"]
    missing = subprocess.run(alone, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert missing.returncode == 8
    assert "catchpan[service]" in missing.stderr
