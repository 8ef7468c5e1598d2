"""The service on a port of this machine, for real clients: `python -m tests.feed_server STORE …`.

It runs in a process of its own, since GDAL keeps Python's lock while it waits for an answer.
"""

import socket
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

from service import create_app
from service.records import Viewer
from service.settings import Settings
from service.store import open_store
from service.web.serving import make_server


@contextmanager
def serving(path, *, role="keeper", feed_crs=""):
    """Serve a store on loopback; gives the address of its feed."""
    command = [sys.executable, "-m", "tests.feed_server", str(path), role, feed_crs]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[1]
    )
    try:
        yield f"{process.stdout.readline().strip()}/feed"
    finally:
        process.terminate()
        process.wait(timeout=10)
        process.stdout.close()


def serve(path, role, feed_crs):
    """Serve until ended, after saying where."""
    store = open_store(Path(path))
    app = create_app(store, Settings(feed_crs=feed_crs), viewer=Viewer("tester", role))
    server = make_server(app, socket.create_server(("127.0.0.1", 0)), threads=4)
    print(f"http://127.0.0.1:{server.effective_port}", flush=True)
    server.run()


def read_pages(client, path, **query):
    """Follow the next links; gives the features of all pages and the last answer."""
    found, answer = [], client.get(path, query_string=query).json
    while True:
        found += answer["features"]
        onward = [link["href"] for link in answer["links"] if link["rel"] == "next"]
        if not onward:
            return found, answer
        answer = client.get(onward[0]).json


if __name__ == "__main__":
    serve(*sys.argv[1:])
