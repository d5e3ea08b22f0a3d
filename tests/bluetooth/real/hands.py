"""The hands inside the guest: starts and ends what the bench tells it to, over one connection.

A line is one order, as `service start`, and is answered with `done` once it is carried out. The
controller is emulated outside the guest; its packets come over a connection of their own and go to
the kernel through /dev/vhci. To pull the adapter out is to close that device.
"""

import ctypes
import os
import signal
import socket
import struct
import subprocess
import threading
import time

HOST = "10.0.2.2"
X = os.environ["CACHE"] + "/x"
BUS = "/run/dbus/system_bus_socket"
COMMANDS = {
    "bus": ["dbus-daemon", f"--config-file={os.environ['HERE']}/bus.conf", "--nofork", "--nopidfile"],
    "service": [f"{X}/usr/libexec/bluetooth/bluetoothd", "--nodetach"],
}
# Of a packet by its type: where its length stands, and in how many bytes.
LENGTHS = {1: (3, 1), 2: (3, 2), 3: (3, 1), 4: (2, 1)}


# What another program with the rights would tell the kernel: its Bluetooth management interface.
SET_POWERED, STOP_DISCOVERY = 0x0005, 0x0024
AF_BLUETOOTH, BTPROTO_HCI, HCI_DEV_NONE, HCI_CHANNEL_CONTROL = 31, 1, 0xFFFF, 3


def manage(opcode: int, parameters: bytes) -> None:
    """Gives the kernel one order for hci0. Python's own bind knows no channels."""
    control = socket.socket(AF_BLUETOOTH, socket.SOCK_RAW, BTPROTO_HCI)
    place = struct.pack("<HHH", AF_BLUETOOTH, HCI_DEV_NONE, HCI_CHANNEL_CONTROL)
    if ctypes.CDLL(None).bind(control.fileno(), place, len(place)) != 0:
        raise OSError("the kernel's management interface is not to be had")
    control.send(struct.pack("<HHH", opcode, 0, len(parameters)) + parameters)
    control.settimeout(2)
    # The answer is `complete` or `status`, with the order that it answers.
    while True:
        answer = control.recv(512)
        print("kernel:", answer.hex(), flush=True)
        event, _, _, answered = struct.unpack_from("<HHHH", answer)
        if event in (1, 2) and answered == opcode:
            return control.close()


class Adapter:
    """An adapter of the kernel's whose controller is outside."""

    def __init__(self) -> None:
        self.device = os.open("/dev/vhci", os.O_RDWR)
        os.write(self.device, b"\xff\x00")
        self.wire = socket.create_connection((HOST, int(os.environ["RADIO"])))
        self.wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for work in (self.inward, self.outward):
            threading.Thread(target=work, daemon=True).start()

    def outward(self) -> None:
        try:
            # One read is one packet; those of type 0xFF are the device's own.
            while packet := os.read(self.device, 4096):
                if packet[0] != 0xFF:
                    self.wire.sendall(packet)
        except OSError:
            return

    def inward(self) -> None:
        stream = self.wire.makefile("rb")
        try:
            while kind := stream.read(1):
                at, size = LENGTHS[kind[0]]
                head = stream.read(at + size - 1)
                length = int.from_bytes(head[at - 1 :], "little")
                os.write(self.device, kind + head + stream.read(length))
        except OSError:
            return

    def pull(self) -> None:
        self.wire.shutdown(socket.SHUT_RDWR)
        os.close(self.device)


def wait_for(what, limit_s: float) -> None:
    end = time.monotonic() + limit_s
    while not what() and time.monotonic() < end:
        time.sleep(0.05)


def main() -> None:
    running: dict[str, subprocess.Popen] = {}
    adapter = None
    orders = socket.create_connection((HOST, int(os.environ["ORDERS"])))
    for line in orders.makefile():
        what, _, how = line.strip().partition(" ")
        if what == "adapter" and how == "in":
            adapter = Adapter()
            wait_for(lambda: os.path.exists("/sys/class/bluetooth/hci0"), 30)
        elif what == "adapter":
            adapter.pull()
            wait_for(lambda: not os.path.exists("/sys/class/bluetooth/hci0"), 30)
        elif how == "start":
            with open("/run/bluetoothd.log", "a") as log:
                running[what] = subprocess.Popen(COMMANDS[what], stdout=log, stderr=log)
            if what == "bus":
                wait_for(lambda: os.path.exists(BUS), 30)
        elif how == "stop":
            running[what].terminate()
            running[what].wait()
        elif how == "kill":
            running[what].kill()
            running[what].wait()
            if what == "bus":
                os.unlink(BUS)
        elif how == "pause":
            running[what].send_signal(signal.SIGSTOP)
        elif how == "go-on":
            running[what].send_signal(signal.SIGCONT)
        elif what == "power" and how == "off":
            manage(SET_POWERED, b"\0")
        elif what == "scan" and how == "off":
            # It must be the kind of scan that runs: both, low energy only, or classic only.
            for kind in (7, 6, 1):
                manage(STOP_DISCOVERY, bytes([kind]))
        elif what == "end":
            break
        orders.sendall(b"done\n")


main()
