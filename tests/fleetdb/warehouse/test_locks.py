import subprocess
import sys
import threading
from pathlib import Path

from fleetdb.warehouse.locks import exclusive

HOLD = """
import sys, time
from pathlib import Path
from fleetdb.warehouse.locks import exclusive
with exclusive(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(60)
"""


def test_a_second_holder_waits_for_the_first(tmp_path: Path) -> None:
    path = tmp_path / "folder" / "a.lock"
    order: list[str] = []

    def second() -> None:
        with exclusive(path):
            order.append("second")

    with exclusive(path):
        thread = threading.Thread(target=second)
        thread.start()
        thread.join(0.2)
        order.append("first")
    thread.join(10)
    assert order == ["first", "second"]


def test_the_lock_of_a_killed_process_is_free(tmp_path: Path) -> None:
    path = tmp_path / "a.lock"
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)], stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    holder.kill()
    holder.communicate(timeout=10)
    with exclusive(path):
        pass
