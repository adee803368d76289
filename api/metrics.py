"""Counters of this process, in the Prometheus text exposition format."""

from __future__ import annotations

import os
import threading
import time
from collections import defaultdict

MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"


class Metrics:
    """What this process has done since it started.

    Several processes may serve one address: each tells only of itself, under its
    own ``process`` label, so that a collector never takes one's count for another's.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._requests: dict[tuple[str, str, int], int] = defaultdict(int)
        self._seconds: dict[tuple[str, str, int], float] = defaultdict(float)
        self._documents: dict[tuple[str, str], int] = defaultdict(int)
        self._refreshes: dict[str, int] = defaultdict(int)
        self._started_at = time.time()

    def count_request(self, method: str, route: str, status: int, seconds: float) -> None:
        """Count one answered request under its route's template (never the address itself)."""
        with self._lock:
            self._requests[method, route, status] += 1
            self._seconds[method, route, status] += seconds

    def count_document(self, kind: str, outcome: str) -> None:
        """Count one document received: accepted, already_there or refused."""
        with self._lock:
            self._documents[kind, outcome] += 1

    def count_refresh(self, outcome: str) -> None:
        """Count one pass of the background refresher: published, unchanged or failed."""
        with self._lock:
            self._refreshes[outcome] += 1

    def exposition(self) -> str:
        """Return every counter as text."""
        process = f'process="{os.getpid()}"'
        with self._lock:
            requests = {
                f'{process},method="{m}",route="{r}",status="{s}"': n
                for (m, r, s), n in self._requests.items()
            }
            seconds = {
                f'{process},method="{m}",route="{r}",status="{s}"': n
                for (m, r, s), n in self._seconds.items()
            }
            documents = {
                f'{process},kind="{k}",outcome="{o}"': n for (k, o), n in self._documents.items()
            }
            refreshes = {f'{process},outcome="{o}"': n for o, n in self._refreshes.items()}
        blocks = [
            _block("http_requests_total", "counter", "Requests answered.", requests),
            _block("http_request_seconds_total", "counter", "Time spent answering. [s]", seconds),
            _block("documents_total", "counter", "Documents received, by outcome.", documents),
            _block("refreshes_total", "counter", "Passes of the refresher.", refreshes),
            _block(
                "process_start_time_seconds",
                "gauge",
                "When this process started, as Unix time. [s]",
                {process: round(self._started_at, 3)},
            ),
        ]
        return "".join(blocks)


def _block(name: str, kind: str, help_text: str, samples: dict[str, int] | dict[str, float]) -> str:
    lines = [f"# HELP fleetdb_{name} {help_text}", f"# TYPE fleetdb_{name} {kind}"]
    lines += [f"fleetdb_{name}{{{labels}}} {value}" for labels, value in sorted(samples.items())]
    return "\n".join(lines) + "\n"
