#!/bin/bash
# The program against the real Bluetooth service, on the real kernel's stack, with no radio.
#   CACHE=DIR tests/bluetooth/real/run.sh PROGRAM
# A stock Debian kernel under qemu (no KVM) whose root is this machine's /, read-only; the service's
# package, the kernel and the simulated probe's library go into CACHE, and nothing is installed.
# Needs: apt-get, python3 with pip, dbus-daemon. Ends with 77 and one line where they are not to be had.
set -euo pipefail
HERE=$(cd "$(dirname "$0")" && pwd)
PROGRAM=$(readlink -f "${1:?the program to test}")
mkdir -p "${CACHE:?a folder to keep downloads in}/debs" "$CACHE/x"
CACHE=$(cd "$CACHE" && pwd)
X=$CACHE/x
# Two runs must not share a cache: each writes its guest's files there.
exec 9>"$CACHE/lock"
flock -w 600 9 || { echo "another run holds $CACHE; give a CACHE of its own"; exit 1; }
not_run() { echo "NOT RUN: the real Bluetooth service, because $1"; exit 77; }
for tool in apt-get apt-cache dbus-daemon python3; do
    command -v $tool >/dev/null || not_run "$tool is missing"
done
get() {
    for package; do
        [ -e "$CACHE/debs/.$package" ] && continue
        (cd "$CACHE/debs" && apt-get -qq download "$package" 2>/dev/null && dpkg -x "${package}"_*.deb "$X" && touch ".$package") ||
            not_run "package $package is not to be had"
    done
}
get bluez busybox-static
[ -d "$CACHE/py/bumble" ] || python3 -m pip install -q --target "$CACHE/py" bumble==0.0.236 ||
    not_run "the simulated probe's library is not to be had"
IMAGE=$(apt-cache depends linux-image-amd64 | awk '/Depends: linux-image-[0-9]/{print $2; exit}')
[ -n "$IMAGE" ] || not_run "there is no stock kernel for this machine"
KERNEL=${IMAGE#linux-image-}
get "$IMAGE"
QEMU=$(command -v qemu-system-x86_64 || true)
DATA=()
if [ -z "$QEMU" ]; then
    # Unpacked and not installed: installing could remove other packages.
    # shellcheck disable=SC2046
    get $(apt-get install -s --no-install-recommends qemu-system-x86 | awk '/^Inst/{print $2}')
    QEMU=$X/usr/bin/qemu-system-x86_64
    DATA=(-L "$X/usr/share/qemu" -L "$X/usr/share/seabios")
    export LD_LIBRARY_PATH=$X/usr/lib/x86_64-linux-gnu:$X/lib/x86_64-linux-gnu
fi
printf 'HERE=%s\nCACHE=%s\nPROGRAM=%s\n' "$HERE" "$CACHE" "$PROGRAM" >"$CACHE/guest.env"
ROOT=$CACHE/initrd
rm -rf "$ROOT"
mkdir -p "$ROOT"/{bin,dev,proc,root,mod}
cp "$X/bin/busybox" "$ROOT/bin/busybox"
ln -s busybox "$ROOT/bin/sh"
MODULES="virtio_ring virtio virtio_pci_modern_dev virtio_pci_legacy_dev virtio_pci 9pnet 9pnet_virtio netfs fscache 9p
    crc16 ecc rfkill ecdh_generic bluetooth hci_vhci af_alg algif_hash algif_skcipher cmac ecb"
{
    printf '#!/bin/sh\nb=/bin/busybox; $b mount -t devtmpfs d /dev\n'
    for module in $MODULES; do
        cp "$(find "$X/lib/modules/$KERNEL" -name "$module.ko" | head -1)" "$ROOT/mod/"
        echo "\$b insmod /mod/$module.ko"
    done
    echo '$b mount -t 9p -o trans=virtio,version=9p2000.L,ro,cache=loose,msize=512000 host /root || exec sh'
    echo '$b mount -t devtmpfs d /root/dev; $b mount -t proc p /root/proc'
    echo "exec \$b switch_root /root $HERE/guest.sh $CACHE/guest.env"
} >"$ROOT/init"
chmod +x "$ROOT/init" "$HERE/guest.sh"
(cd "$ROOT" && find . | "$X/bin/busybox" cpio -o -H newc 2>/dev/null | gzip -1) >"$CACHE/initrd.gz"
timeout 420 "$QEMU" "${DATA[@]}" -accel tcg -M q35 -cpu max -smp 2 -m 512 -nodefaults -no-user-config -display none \
    -serial stdio -no-reboot -kernel "$X/boot/vmlinuz-$KERNEL" -initrd "$CACHE/initrd.gz" \
    -fsdev "local,id=h,path=/,security_model=none,readonly=on,multidevs=remap" \
    -device virtio-9p-pci,fsdev=h,mount_tag=host \
    -append "console=ttyS0 quiet panic=-1 mitigations=off nokaslr" </dev/null >"$CACHE/out.log" 2>&1 ||
    { tail -20 "$CACHE/out.log"; exit 1; }
grep -aq GUEST_DONE "$CACHE/out.log" || { tail -20 "$CACHE/out.log"; exit 1; }
/usr/bin/python3 "$HERE/judge.py" "$CACHE/out.log"
