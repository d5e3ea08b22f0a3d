#!/bin/bash
# Process 1 of the guest; the kernel's command line gives the file with HERE, CACHE and PROGRAM.
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
while read -r word; do export "${word?}"; done <"$1"
X=$CACHE/x
mount -t proc proc /proc 2>/dev/null
mount -t sysfs sysfs /sys
mount -t tmpfs tmpfs /run
mount -t tmpfs tmpfs /var
mkdir -p /run/dbus /var/lib/bluetooth /var/log
cd /run && export HOME=/run
[ -e /dev/vhci ] || mknod /dev/vhci c 10 137
dbus-daemon --config-file="$HERE/bus.conf" --nofork &
PYTHONDONTWRITEBYTECODE=1 PYTHONPATH=$CACHE/py /usr/bin/python3 "$HERE/peripheral.py" 2>&1 | sed 's/^/peripheral: /' &
for _ in $(seq 600); do [ -e /sys/class/bluetooth/hci0 ] && break; sleep .05; done
export DBUS_SYSTEM_BUS_ADDRESS=unix:path=/run/dbus/system_bus_socket
service() { "$X/usr/libexec/bluetooth/bluetoothd" --nodetach >>/run/bluetoothd.log 2>&1 & SERVICE=$!; }
service
"$PROGRAM" listen --json --seconds 40 >/run/lines 2>/run/errors &
LISTEN=$!
sleep 20
echo "GUEST restart at $(wc -l </run/lines) lines"
kill -9 "$SERVICE"
wait "$SERVICE" 2>/dev/null
sleep 2
service
wait "$LISTEN"
echo "GUEST listen ended with $?"
sed 's/^/ADVERTISED /' /run/lines
timeout 30 "$PROGRAM" listen --json --connect --seconds 15 2>&1 | sed 's/^/CONNECTED /'
sed 's/^/errors: /' /run/errors
tail -3 /run/bluetoothd.log
echo GUEST_DONE
"$X/bin/busybox" poweroff -f
