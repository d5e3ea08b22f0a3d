#!/bin/bash
# Process 1 of the guest; the kernel's command line gives the file with HERE, CACHE and the ports.
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
while read -r word; do export "${word?}"; done <"$1"
mount -t proc proc /proc 2>/dev/null
mount -t sysfs sysfs /sys
mount -t tmpfs tmpfs /run
mount -t tmpfs tmpfs /var
mkdir -p /run/dbus /var/lib/bluetooth /var/log
cd /run && export HOME=/run
[ -e /dev/vhci ] || mknod /dev/vhci c 10 137
busybox=$CACHE/x/bin/busybox
"$busybox" ifconfig lo 127.0.0.1 up
"$busybox" ifconfig eth0 10.0.2.15 up
PYTHONDONTWRITEBYTECODE=1 /usr/bin/python3 "$HERE/hands.py"
tail -5 /run/bluetoothd.log
"$busybox" poweroff -f
