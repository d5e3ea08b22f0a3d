"""A stand-in for S3 on this machine, and a cable to it that can be cut."""

import contextlib
import os
import socket
import subprocess
import sys
import threading
import time
import urllib.request

BUCKET = "lake"
REGION = "us-east-1"
KEY = ("AKIAINVENTEDKEY00000", "invented-secret-of-the-stand-in")
UP_WITHIN_S = 60


def free_port():
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


class Store:
    """moto's server; it keeps all in memory and ends with `stop`."""

    def __init__(self, log):
        self.port = free_port()
        command = [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(self.port)]
        self.process = subprocess.Popen(command, stdout=log, stderr=log)
        deadline = time.monotonic() + UP_WITHIN_S
        while True:
            with contextlib.suppress(OSError):
                socket.create_connection(("127.0.0.1", self.port), 1).close()
                break
            if time.monotonic() > deadline or self.process.poll() is not None:
                raise SystemExit("tests/lake/run.py: the stand-in for S3 does not come up; see target/lake/store.log")
            time.sleep(0.2)
        self.client().create_bucket(Bucket=BUCKET)

    def client(self):
        import boto3

        return boto3.client(
            "s3",
            endpoint_url=f"http://127.0.0.1:{self.port}",
            region_name=REGION,
            aws_access_key_id=KEY[0],
            aws_secret_access_key=KEY[1],
        )

    def objects(self, prefix):
        """All objects below a prefix: what stands after it, with the bytes."""
        client, found = self.client(), {}
        for page in client.get_paginator("list_objects_v2").paginate(Bucket=BUCKET, Prefix=f"{prefix}/"):
            for item in page.get("Contents", []):
                body = client.get_object(Bucket=BUCKET, Key=item["Key"])["Body"].read()
                found[item["Key"].removeprefix(f"{prefix}/")] = body
        return found

    def ask_for_credentials(self, asked):
        """Whether requests must be signed by a key that the stand-in knows (it knows none)."""
        count = b"0" if asked else b"inf"
        url = f"http://127.0.0.1:{self.port}/moto-api/reset-auth"
        request = urllib.request.Request(url, count, {"Content-Type": "application/octet-stream"})
        urllib.request.urlopen(request, timeout=10).close()

    def stop(self):
        self.process.terminate()
        self.process.wait()


def environment(port, key=KEY):
    """What `settled export` finds in its environment; nothing of this machine's own settings for S3."""
    own = {name: value for name, value in os.environ.items() if not name.startswith("AWS_")}
    return own | {
        "AWS_ACCESS_KEY_ID": key[0],
        "AWS_SECRET_ACCESS_KEY": key[1],
        "AWS_REGION": REGION,
        "AWS_ENDPOINT_URL": f"http://127.0.0.1:{port}",
        "AWS_ALLOW_HTTP": "true",
        "NO_PROXY": "127.0.0.1",
        "no_proxy": "127.0.0.1",
    }


class Cable:
    """A TCP proxy to the store. After so many bytes towards the store it cuts all and stays cut."""

    def __init__(self, to_port, cut_after_bytes):
        self.to_port, self.left = to_port, cut_after_bytes
        self.cut = threading.Event()
        self.lock = threading.Lock()
        self.open = set()
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        threading.Thread(target=self.accept, daemon=True).start()

    def accept(self):
        with contextlib.suppress(OSError):
            while True:
                near, _ = self.listener.accept()
                if self.cut.is_set():
                    near.close()
                    continue
                far = socket.create_connection(("127.0.0.1", self.to_port))
                self.open |= {near, far}
                threading.Thread(target=self.carry, args=(near, far, True), daemon=True).start()
                threading.Thread(target=self.carry, args=(far, near, False), daemon=True).start()

    def carry(self, source, sink, towards_store):
        with contextlib.suppress(OSError):
            while block := source.recv(4096):
                with self.lock:
                    if towards_store:
                        block, self.left = block[: max(self.left, 0)], self.left - len(block)
                    sink.sendall(block)
                    if self.left <= 0:
                        self.cut.set()
                if self.cut.is_set():
                    break
        for end in list(self.open) if self.cut.is_set() else [source, sink]:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def close(self):
        self.listener.close()
