"""The air outside the guest: a controller for the kernel in it, and the probes, by bumble.

Prints the port at which the guest's kernel gets its controller, then takes orders, a line each:

    advertise ADDRESS RSSI HEX         one advertisement
    sensor ADDRESS notify|read HEX     a probe to connect to, with Environmental Sensing; its advertisement
    value ADDRESS HEX                  its temperature; notified where it notifies
    drop ADDRESS                       its link is lost
    clear                              all sensors are gone
    mute                               the controller tells of no advertisement more
    tell                               it does again
"""

import asyncio
import socket
import sys

from bumble import hci
from bumble.controller import Controller
from bumble.core import UUID, PhysicalTransport
from bumble.device import Device
from bumble.gatt import Characteristic, Service
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import StreamPacketSource

LEGACY_NONCONNECTABLE = 0x0010
LEGACY_CONNECTABLE = 0x0013
PHY_1M, UNKNOWN_POWER = 1, 0x7F


class Wire(asyncio.Protocol):
    """The way to the guest's kernel. One adapter that is pulled out may end after the next came."""

    transport = None
    source: StreamPacketSource
    kernel: Controller

    def connection_made(self, transport) -> None:
        Wire.transport = transport
        # An adapter put in anew scans not yet; bumble's reset leaves that as it was.
        Wire.kernel.le_scan_enable = False
        Wire.source.parser.reset()

    def connection_lost(self, _) -> None:
        if Wire.transport is not None and Wire.transport.is_closing():
            Wire.transport = None

    def data_received(self, data: bytes) -> None:
        Wire.source.data_received(data)

    @staticmethod
    def on_packet(packet: bytes) -> None:
        if Wire.transport is not None:
            Wire.transport.write(packet)


class Link(LocalLink):
    """bumble 0.0.236 sends from the random address always; the kernel connects with its public one."""

    def send_acl_data(self, sender, dest, transport, data):
        connection = sender.le_connections.get(dest)
        if transport != PhysicalTransport.LE or connection is None:
            return
        peer = self.find_le_controller(dest)

        def deliver():
            if peer:
                peer.on_link_acl_data(connection.self_address, transport, data)

        asyncio.get_running_loop().call_soon(deliver)


class Kernel(Controller):
    """The controller that the guest's kernel has."""

    mute = False

    def send_hci_packet(self, packet: hci.HCI_Packet) -> None:
        reports = (hci.HCI_LE_Extended_Advertising_Report_Event, hci.HCI_LE_Advertising_Report_Event)
        if not (self.mute and isinstance(packet, reports)):
            super().send_hci_packet(packet)

    def report(self, address: str, rssi: int, data: bytes, kind: int) -> None:
        if not self.le_scan_enable:
            return
        who = hci.Address(address)
        if self.le_features & hci.LeFeatureMask.LE_EXTENDED_ADVERTISING:
            report = hci.HCI_LE_Extended_Advertising_Report_Event.Report(
                event_type=kind,
                address_type=who.address_type,
                address=who,
                primary_phy=PHY_1M,
                secondary_phy=0,
                advertising_sid=0xFF,
                tx_power=UNKNOWN_POWER,
                rssi=rssi,
                periodic_advertising_interval=0,
                direct_address_type=0,
                direct_address=hci.Address.ANY,
                data=data,
            )
            self.send_hci_packet(hci.HCI_LE_Extended_Advertising_Report_Event([report]))
        else:
            legacy = hci.HCI_LE_Advertising_Report_Event
            types = legacy.EventType
            event = types.ADV_IND if kind == LEGACY_CONNECTABLE else types.ADV_NONCONN_IND
            report = legacy.Report(event, who.address_type, who, data, rssi)
            self.send_hci_packet(legacy([report]))


class Sensor:
    """A probe that tells its value to who connects."""

    def __init__(self, link: Link, number: int, address: str, how: str) -> None:
        self.address, self.notifies = address, how == "notify"
        self.host = Host()
        public = f"AA:AA:AA:AA:AB:{number:02X}"
        self.controller = Controller(address, link=link, public_address=public)
        self.host.controller = self.controller
        self.device = Device(name="bench sensor", address=hci.Address(address), host=self.host)
        properties = Characteristic.Properties.READ
        if self.notifies:
            properties |= Characteristic.Properties.NOTIFY
        value = bytes(2)
        self.value = Characteristic(UUID(0x2A6E), properties, Characteristic.READABLE, value)
        self.device.add_service(Service(UUID(0x181A), [self.value]))

    async def advertise(self, data: bytes) -> None:
        await self.device.power_on()
        await self.device.start_advertising(
            advertising_data=data,
            auto_restart=True,
            advertising_interval_min=100,
            advertising_interval_max=100,
        )

    async def take(self, value: bytes) -> None:
        self.value.value = value
        if self.notifies:
            await self.device.notify_subscribers(self.value, value)

    async def leave(self, link: Link) -> None:
        await self.drop()
        await self.device.stop_advertising()
        link.remove_controller(self.controller)

    async def drop(self) -> None:
        for connection in list(self.device.connections.values()):
            await connection.disconnect()


async def main() -> None:
    Wire.source = StreamPacketSource()
    place = socket.create_server(("127.0.0.1", 0))
    link = Link()
    kernel = Kernel(
        "kernel", Wire.source, Wire, link=link, public_address="AA:AA:AA:AA:AA:01"
    )
    Wire.kernel = kernel
    await asyncio.get_running_loop().create_server(Wire, sock=place)
    sensors: dict[str, Sensor] = {}
    print(place.getsockname()[1], flush=True)
    lines = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(
        lambda: asyncio.StreamReaderProtocol(lines), sys.stdin
    )
    while line := await lines.readline():
        order, *rest = line.decode().split()
        match order:
            case "advertise":
                kernel.report(rest[0], int(rest[1]), bytes.fromhex(rest[2]), LEGACY_NONCONNECTABLE)
            case "sensor":
                sensors[rest[0]] = Sensor(link, len(sensors), rest[0], rest[1])
                await sensors[rest[0]].advertise(bytes.fromhex(rest[2]))
            case "value":
                await sensors[rest[0]].take(bytes.fromhex(rest[1]))
            case "drop":
                await sensors[rest[0]].drop()
            case "clear":
                kernel.mute = False
                for sensor in sensors.values():
                    await sensor.leave(link)
                sensors.clear()
            case "mute":
                kernel.mute = True
            case "tell":
                kernel.mute = False
            case _:
                print(f"unknown order {line!r}", file=sys.stderr)


asyncio.run(main())
