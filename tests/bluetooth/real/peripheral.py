"""A simulated probe for the real Bluetooth service: `peripheral.py`, in the guest of run.sh.

Both controllers are emulated on one link; one of them becomes the kernel's hci0. The probe, which is
invented, advertises the plain clamp format and BTHome, counting up by 0.01 degC every 0.3 s, and
once connected notifies the temperature of Environmental Sensing.
"""

import asyncio
import itertools
import struct

from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData, PhysicalTransport
from bumble.device import Device
from bumble.gatt import Characteristic, Service
from bumble.hci import Address
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport import open_transport

STEP_S = 0.3


def advertisement(n: int) -> bytes:
    hundredths = 2000 + n
    clamp = struct.pack("<HBBBBBh", 0xFFFF, 0x43, 0x4C, 1, n & 255, 90, hundredths)
    bthome = struct.pack("<HBBh", 0xFCD2, 0x40, 0x02, hundredths)
    return bytes(
        AdvertisingData(
            [
                (AdvertisingData.FLAGS, bytes([6])),
                (AdvertisingData.MANUFACTURER_SPECIFIC_DATA, clamp),
                (AdvertisingData.SERVICE_DATA_16_BIT_UUID, bthome),
                (AdvertisingData.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS, b"\x1a\x18"),
            ]
        )
    )


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


async def main() -> None:
    link = Link()
    vhci = await open_transport("vhci")
    Controller(
        "C0",
        host_source=vhci.source,
        host_sink=vhci.sink,
        link=link,
        public_address="AA:AA:AA:AA:AA:01",
    )
    host = Host()
    host.controller = Controller("C1", link=link, public_address="AA:AA:AA:AA:AA:02")
    probe = Device(name="bench", address=Address("C4:7C:8D:00:00:01"), host=host)
    properties = Characteristic.Properties.READ | Characteristic.Properties.NOTIFY
    value = struct.pack("<h", 2000)
    temperature = Characteristic(UUID(0x2A6E), properties, Characteristic.READABLE, value)
    probe.add_service(Service(UUID(0x181A), [temperature]))
    await probe.power_on()
    await probe.start_advertising(
        advertising_data=advertisement(0),
        auto_restart=True,
        advertising_interval_min=100,
        advertising_interval_max=100,
    )
    for n in itertools.count(1):
        await asyncio.sleep(STEP_S)
        if probe.connections:
            await probe.notify_subscribers(temperature, struct.pack("<h", 2000 + n))
        else:
            # The controller has extended advertising, so the library advertises by a set; the
            # older command for the data would be taken and change nothing that is sent.
            advertised = probe.legacy_advertising_set
            if advertised:
                await advertised.set_advertising_data(advertisement(n))


asyncio.run(main())
