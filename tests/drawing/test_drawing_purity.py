import subprocess
import sys


def test_the_drawings_load_no_framework() -> None:
    code = (
        "import sys, fleetcal.drawing.history, fleetcal.drawing.strip, fleetcal.drawing.svg;"
        "print([m for m in ('django', 'celery', 'reportlab', 'numpy') if m in sys.modules])"
    )
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert loaded.stdout.strip() == "[]"
