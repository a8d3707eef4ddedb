#!/usr/bin/env bash
# Runs a command where there is real SocketCAN: in a small virtual machine, by software emulation alone.
#
#   socketcan-vm.sh [options] -- COMMAND [ARGUMENTS...]
#     --controllers   can0 and can1: two emulated CAN controllers (SJA1000, its Linux driver) on one bus at 500 kbit/s;
#                     without it vcan0 and vcan1, two virtual buses
#     --share DIR     what the guest writes under DIR stays; everything else that it writes is gone with it
#     --load MODULE   loads one more kernel module (slcan, can-gw, ...)
#
# The guest is Debian's stock kernel with an initramfs of busybox and the few modules that are needed. It sees the whole
# file tree of the host, read only below a layer in memory, so every program, library and test binary is where it is here;
# working directory and environment are the same, standard input is empty. Exit status, standard output and standard error
# are the command's. 124: it took longer than SOCKETCAN_VM_TIMEOUT seconds (300). 125: the guest could not be had; its
# kernel's messages are shown.
#
# Neither hardware virtualization nor privileges are needed to run it. Missing Debian packages are installed where that is
# allowed; kernel and initramfs are made once and kept in SOCKETCAN_VM_CACHE (~/.cache/tonering-socketcan-vm).
# Also heeded: SOCKETCAN_VM_CPUS (2; with --controllers 1, for with two the emulated receive buffer overruns),
# SOCKETCAN_VM_MEMORY (512, in MiB), SOCKETCAN_VM_APPEND (kernel parameters, such as vcan.echo=1).
set -Eeuo pipefail

guest='' build='' job=''
trap 'echo "socketcan-vm: stopped at line $LINENO" >&2; exit 125' ERR
trap '[ -z "$guest" ] || kill "$guest" 2>/dev/null || true; rm -rf "$build" "$job"' EXIT
fail() { echo "socketcan-vm: $*" >&2; exit 125; }

links=vcan cpus=2 share='' modules=''
while [ $# -gt 0 ]; do
  case $1 in
    --controllers) links=kvaser cpus=1; shift ;;
    --share) share=$(realpath -e -- "$2"); shift 2 ;;
    --load) modules="$modules,$2"; shift 2 ;;
    --) shift; break ;;
    *) sed -n '2,/^set/{/^#/s/^# \{0,1\}//p}' "$0" >&2; exit 125 ;;
  esac
done
[ $# -gt 0 ] || fail "no command given"

# --- what the host needs -------------------------------------------------------------------------------------------------

# All of a list is read: with pipefail, a reader that leaves early would make its writer fail.
has_depmod() { busybox --list 2>/dev/null | grep -x depmod >/dev/null; }
packages=''
command -v qemu-system-x86_64 >/dev/null || packages="$packages qemu-system-x86"
has_depmod || packages="$packages busybox-static"
command -v candump >/dev/null || packages="$packages can-utils"
command -v ip >/dev/null || packages="$packages iproute2"
command -v xz >/dev/null || packages="$packages xz-utils"
if [ -n "$packages" ]; then
  [ "$(id -u)" = 0 ] || fail "please install:$packages"
  export DEBIAN_FRONTEND=noninteractive
  # shellcheck disable=SC2086  # several words
  { apt-get update -q && apt-get install -qy --no-install-recommends $packages; } >&2 || fail "cannot install:$packages"
fi

# --- kernel and initramfs, made once --------------------------------------------------------------------------------------

cache=${SOCKETCAN_VM_CACHE:-${XDG_CACHE_HOME:-$HOME/.cache}/tonering-socketcan-vm}
made=$cache/$(sha256sum "$0" | cut -c1-16)   # another version of this script makes its own

make_pieces() {
  local image version packed kind offset folder
  build=$(mktemp -d "$cache/build.XXXXXX")
  apt-cache show linux-image-amd64 >/dev/null 2>&1 || apt-get update -q >&2 || true
  # The package of this name only depends on the image, whose own name holds its version. The image for clouds has no CAN.
  image=$(apt-cache depends linux-image-amd64 | sed -n 's/^ *Depends: \(linux-image-[^ ]*\)$/\1/p')
  image=${image%%$'\n'*}
  (cd "$build" && apt-get download -q -o APT::Sandbox::User=root "${image:-linux-image-amd64}" >&2 && dpkg-deb -x ./*.deb image)
  version=$(basename "$build"/image/boot/vmlinuz-*)
  version=${version#vmlinuz-}

  # The kernel unpacks itself at each start, which takes seconds under emulation: its ELF file is cut out here. The tools
  # complain about what follows the packed part, so the result is judged by its first bytes.
  packed=$build/image/boot/vmlinuz-$version
  cp "$packed" "$build/kernel"
  for kind in 'xz \xfd7zXZ\x00' 'zstd \x28\xb5\x2f\xfd'; do
    for offset in $(LC_ALL=C grep -aboP "${kind#* }" "$packed" | cut -d: -f1); do
      tail -c +$((offset + 1)) "$packed" | ${kind%% *} -dc >"$build/elf" 2>/dev/null || true
      if [ "$(head -c 4 "$build/elf" | tail -c 3)" = ELF ]; then
        mv "$build/elf" "$build/kernel"
        break 2
      fi
    done
  done

  mkdir -p "$build"/root/{bin,dev,proc,sys,host,layer,root,lib/modules/"$version"}
  cp "$(command -v busybox)" "$build/root/bin/busybox"
  for folder in net/can net/9p fs/9p fs/netfs fs/fscache fs/overlayfs drivers/virtio drivers/char/virtio_console \
                drivers/net/can net/sched/sch_tbf net/sched/sch_netem; do
    find "$(find "$build/image" -path "*/modules/$version/kernel" -prune)" -path "*/kernel/$folder*.ko*" \
      -exec cp -t "$build/root/lib/modules/$version" {} +
  done
  find "$build/root/lib" -name '*.xz' -exec xz -d {} +
  busybox depmod -b "$build/root" "$version"
  write_init >"$build/root/init"
  chmod +x "$build/root/init"
  (cd "$build/root" && find . | busybox cpio -o -H newc) >"$build/initramfs" 2>/dev/null
  mkdir -p "$made"
  mv "$build/kernel" "$build/initramfs" "$made/"
  touch "$made/whole"
}

# The guest's first process. Kernel parameters of the form NAME=VALUE are its environment: JOB, LINKS, MODULES.
write_init() {
  cat <<'INIT'
#!/bin/busybox sh
export PATH=/bin
/bin/busybox --install -s /bin
mkdir -p /sbin
ln -s /bin/busybox /sbin/modprobe
mount -t devtmpfs dev /dev
mount -t proc proc /proc
mount -t sysfs sys /sys
echo /sbin/modprobe >/proc/sys/kernel/modprobe
modprobe -a virtio_pci 9pnet_virtio 9p overlay virtio_console
mount -t 9p -o ro,cache=loose,trans=virtio,version=9p2000.L,msize=512000 host /host &&
  mount -t tmpfs layer /layer && mkdir /layer/upper /layer/work &&
  mount -t overlay -o lowerdir=/host,upperdir=/layer/upper,workdir=/layer/work root /root || poweroff -f
for folder in dev proc sys; do mount --bind /$folder /root/$folder; done
mkdir -p /dev/pts /dev/shm
mount -t devpts pts /root/dev/pts
mount -t tmpfs shm /root/dev/shm
ip link set lo up
# Loaded beforehand: many sockets at once would find the modules half loaded.
modprobe -a can can-raw
for module in $(echo "$MODULES" | tr , ' '); do modprobe "$module"; done
if [ "$LINKS" = kvaser ]; then modprobe kvaser_pci; else modprobe vcan; fi
port() {
  for at in /sys/class/virtio-ports/*; do
    [ "$(cat "$at/name")" = "$1" ] && echo "/dev/${at##*/}"
  done
}
chroot /root /bin/bash "$JOB" </dev/null >$(port out) 2>$(port err)
echo $? >$(port status)
poweroff -f
INIT
}

mkdir -p "$cache"
exec 9>"$cache/lock"
flock 9
[ -e "$made/whole" ] || make_pieces
exec 9>&-

# --- what the guest does --------------------------------------------------------------------------------------------------

job=$(mktemp -d /tmp/socketcan-vm.XXXXXX)
{
  if [ $links = kvaser ]; then
    for link in can0 can1; do
      echo "ip link set $link up txqueuelen 1000 type can bitrate 500000 || exit 125"
    done
  else
    # 72: frames of CAN FD fit too.
    for link in vcan0 vcan1; do
      echo "ip link add $link type vcan && ip link set $link mtu 72 up || exit 125"
    done
  fi
  [ -z "$share" ] || printf 'mount -t 9p -o trans=virtio,version=9p2000.L share %q || exit 125\n' "$share"
  export -p
  printf 'cd %q || exit 125\nexec' "$PWD"
  printf ' %q' "$@"
  echo
} >"$job/script"

machine=(-M q35 -accel tcg -cpu max -smp "${SOCKETCAN_VM_CPUS:-$cpus}" -m "${SOCKETCAN_VM_MEMORY:-512}"
  -nodefaults -no-user-config -display none -no-reboot
  -kernel "$made/kernel" -initrd "$made/initramfs" -serial "file:$job/console"
  -append "console=ttyS0 quiet panic=-1 cryptomgr.notests no_timer_check JOB=$job/script LINKS=$links MODULES=${modules#,} ${SOCKETCAN_VM_APPEND:-}"
  -fsdev local,id=host,path=/,security_model=none,readonly=on,multidevs=remap
  -device virtio-9p-pci,fsdev=host,mount_tag=host
  -device virtio-serial-pci -add-fd fd=3,set=1 -add-fd fd=4,set=2
  -chardev file,id=out,path=/dev/fdset/1,append=on -device virtserialport,chardev=out,name=out
  -chardev file,id=err,path=/dev/fdset/2,append=on -device virtserialport,chardev=err,name=err
  -chardev "file,id=status,path=$job/status" -device virtserialport,chardev=status,name=status)
if [ $links = kvaser ]; then
  machine+=(-object can-bus,id=bus -device kvaser_pci,canbus=bus -device kvaser_pci,canbus=bus)
fi
if [ -n "$share" ]; then
  machine+=(-fsdev "local,id=share,path=$share,security_model=none,multidevs=remap"
    -device virtio-9p-pci,fsdev=share,mount_tag=share)
fi

timeout "${SOCKETCAN_VM_TIMEOUT:-300}" qemu-system-x86_64 "${machine[@]}" </dev/null 3>&1 4>&2 &
guest=$!
status=0
wait "$guest" || status=$?
guest=''
[ $status != 124 ] || { echo "socketcan-vm: longer than ${SOCKETCAN_VM_TIMEOUT:-300} s" >&2; exit 124; }
[ -s "$job/status" ] || { cat "$job/console" >&2 || true; fail "the guest ended without an exit status"; }
exit "$(cat "$job/status")"
