#!/bin/bash
# Runs as a service of a throw-away Debian, under its own systemd: the package from its first installation to its purge, by the
# commands of the README. The sensors are a recorded kernel tree, whose probe is warmed by a file. Each step is reported by name.
set -eEu -o pipefail
shopt -s inherit_errexit
exec > /trial/log 2>&1
# However it ends, the machine is switched off: only a script that came to its end says "all done".
failed= finished=
trap 'failed="in line $LINENO: $BASH_COMMAND"' ERR
trap 'test -n "$finished" || { echo "FAILED $failed"; log | tail -n 40 || true; }; systemctl poweroff --force' EXIT
export DEBIAN_FRONTEND=noninteractive PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/root
config=/etc/dewline/site.yaml
probe=/srv/board/sys/bus/w1/devices/28-00000b3c5d1e
log() { journalctl -u dewline --no-pager -o cat "$@"; }
# until_true COMMAND… waits for what a program does by itself
until_true() { for _ in $(seq 120); do if "$@"; then return; fi; sleep 1; done; echo "waited in vain: $*"; return 1; }
# refused COMMAND… fails where the command succeeds; a plain "! COMMAND" does not
refused() { if "$@"; then echo "should have failed: $*"; return 1; fi; }
# logged PATTERN, without a pipe whose reader ends before its writer
logged() { grep -qi "$1" <<< "$(log)"; }
done_with() { echo "ok $1 after $SECONDS s"; }

# The recorded tree stands in for /sys, and the service sees it.
mkdir -p /srv/board && cp -a /trial/sys /srv/board/sys
mkdir -p /etc/systemd/system/dewline.service.d
cat > /etc/systemd/system/dewline.service.d/trial.conf <<EOF
[Service]
ExecStart=
ExecStart=/usr/bin/dewline run --config $config --root /srv/board
WatchdogSec=40
TimeoutStopSec=5
EOF

dpkg -i /trial/previous.deb | tee /trial/install.txt 2>&1
id -nG dewline
test "$(id -nG dewline)" = 'dewline i2c'
test "$(stat -c '%U:%G %a' /etc/dewline)" = 'root:dewline 750'
test ! -e $config
man_page=$(zcat /usr/share/man/man1/dewline.1.gz)
grep -q 'dewline init' <<< "$man_page"
profiles=$(dewline profile list | wc -l)
test "$profiles" -gt 5 -a "$(ls /usr/share/dewline/profiles | wc -l)" = "$profiles"
for site in /usr/share/dewline/*.yaml; do dewline check --config "$site"; done
done_with installed

refused systemctl start dewline
logged "$config: there is no configuration yet: dewline init --config $config writes one"
systemctl stop dewline
done_with 'without a configuration it does not start and says what to do'

mkdir -m 0700 /etc/dewline/secrets
echo 'http://127.0.0.1:9000/loft' > /etc/dewline/secrets/webhook
chmod 0600 /etc/dewline/secrets/webhook
printf '[Service]\nLoadCredential=webhook:/etc/dewline/secrets/webhook\n' > /etc/systemd/system/dewline.service.d/secrets.conf
systemctl daemon-reload
dewline init --root /srv/board --site north-loft --timezone Europe/Lisbon --temperature fahrenheit --place tub-1 \
	--cohort a-2026=tub-1:tropical-forest-floor:larva --sensor 28-00000b3c5d1e=tub-1 --url-file /run/credentials/dewline.service/webhook
test "$(stat -c '%U:%G %a' $config)" = 'root:dewline 640'
# a delay that a person at the board would wait for; without override the limit of the animals holds, with its own delay
sed -i 's/{id: tub-1, kind: enclosure}/{id: tub-1, kind: enclosure, bands: {water-temperature: {high: 76 degF, override: true, on-delay: 20s}}}/' $config
checked=$(dewline check --config $config 2>&1)
echo "$checked"
grep -q 'up to 76' <<< "$checked"
systemctl enable --now dewline
systemctl is-active dewline
test "$(systemctl show -P User dewline)" = dewline
test "$(stat -c %U "/proc/$(systemctl show -P MainPID dewline)")" = dewline
done_with 'configured and running'

/trial/helper listen 127.0.0.1:9000 /trial/pushes &
/trial/helper warm 29.5 $probe
until_true grep -q 'tub-1' /trial/pushes
cat /trial/pushes
alarms=$(dewline alarm list)
echo "$alarms"
grep -q 'tub-1/water-temperature/high' <<< "$alarms"
done_with 'the probe was warmed, and the push arrived at the address of the credential'

/trial/helper warm 22.5 $probe
cp $config /trial/before.yaml
sed -i 's/^light: .*/light: {day: "08:00-20:00"}/' $config
systemctl reload dewline
until_true logged 'the new configuration is in force'
echo 'nonsense: 1' >> $config
systemctl reload dewline
until_true logged nonsense
systemctl is-active dewline
cp /trial/before.yaml $config; chgrp dewline $config
systemctl reload dewline
done_with 'reloaded, and a configuration with errors refused'

test "$(stat -c '%U %a' /var/lib/dewline)" = 'dewline 750'
test "$(stat -c '%U' /var/lib/dewline/history.db)" = dewline
done_with 'the history is in the state directory'

pid=$(systemctl show -P MainPID dewline)
beat=$(systemctl show -P WatchdogTimestampMonotonic dewline)
until_true sh -c "test \$(systemctl show -P WatchdogTimestampMonotonic dewline) -gt $beat"
kill -STOP "$pid"
until_true sh -c "p=\$(systemctl show -P MainPID dewline); test \$p != 0 -a \$p != $pid"
until_true systemctl is-active dewline
log | tail -n 3
test "$(systemctl show -P NRestarts dewline)" -ge 1
done_with 'the watchdog restarted a program that hung'

pid=$(systemctl show -P MainPID dewline)
cp $config /trial/before.yaml
dpkg -i /trial/dewline.deb
cmp $config /trial/before.yaml
test "$(systemctl show -P MainPID dewline)" != "$pid"
until_true systemctl is-active dewline
version=$(dewline version)
refused grep unknown <<< "$version"
done_with 'upgraded: the configuration as before, the new program running'

dpkg -r dewline
refused systemctl is-active dewline
test -e $config -a -s /var/lib/dewline/history.db
test ! -e /usr/bin/dewline -a ! -e /usr/share/dewline
done_with 'removed: configuration and history stay'

dpkg -P dewline
refused getent passwd dewline
refused getent group dewline
test ! -e /etc/dewline -a -s /var/lib/dewline/history.db
test "$(stat -c '%U' /var/lib/dewline/history.db)" = root
done_with 'purged: no user, no configuration, the history kept'

dpkg -i /trial/dewline.deb
DEWLINE_PURGE_HISTORY=yes dpkg -P dewline
left=$(find / -xdev -path /trial -prune -o -path /proc -prune -o -path /sys -prune -o -path /srv -prune -o -name '*dewline*' -print)
echo "left behind: ${left:-nothing}"
test -z "$left"
done_with 'purged with its history: nothing is left'
finished=yes
echo "all done"
