#!/usr/bin/env bash
# A throw-away object store (Ceph radosgw) on loopback, its objects in memory.
#   store.sh DIR PORT     start; DIR must be empty or not be there, its path at most 60 characters
#   store.sh --stop DIR   stop exactly the processes that DIR/pids names
# S3_BYTES: room for objects, in bytes (8 GiB, of memory only what is used): a full store answers nothing
# any more, and a whole run of the tests writes more than 2 GiB to each.
# S3_OWNER: number of an open file, the reading end of a pipe; when nobody can write to it any more (who
# started this was killed) the store is stopped and DIR removed.
# Takes PORT (S3) to PORT+9; with S3_TLS=1 also PORT+10, for https with DIR/store.crt. Keys: testaccess / testsecret, and locked / lockedsecret, whose user
# owns nothing. Needs ceph-mon, ceph-osd, radosgw, radosgw-admin, curl, openssl.
set -euo pipefail

# When a process started: tells it from another one of the same number. Empty when it is gone.
started() { awk '{ sub(/^.*\) /, ""); if ($1 != "Z") print $20 }' "/proc/$1/stat" 2>/dev/null || true; }

stop() {
  local dir=$1 pid since
  [ -f "$dir/pids" ] || return 0
  while read -r pid since _; do
    [ -n "$since" ] && [ "$pid" != $$ ] && [ "$(started "$pid")" = "$since" ] || continue
    kill -TERM "$pid" 2>/dev/null || true
    for _ in $(seq 50); do [ "$(started "$pid")" = "$since" ] || break; sleep 0.1; done
    if [ "$(started "$pid")" = "$since" ]; then kill -KILL "$pid" 2>/dev/null || true; fi
  done < <(tac "$dir/pids")
  rm -f "$dir/pids"
}
if [ "${1:-}" = --stop ]; then stop "$(realpath "$2")"; exit 0; fi
if [ "${1:-}" = --watch ]; then # DIR, file, the starting shell and since when; in a process of its own
  read -r _ <&"$3" || true
  if [ "$(started "$4")" = "$5" ]; then kill -TERM "$4" 2>/dev/null || true; fi
  while [ "$(started "$4")" = "$5" ]; do sleep 0.1; done
  stop "$2"
  rm -rf "$2"
  exit 0
fi

[ $# = 2 ] || { echo "usage: $0 DIR PORT | --stop DIR" >&2; exit 2; }
mkdir -p "$1"
DIR=$(realpath "$1") PORT=$2
[ -z "$(ls -A "$DIR")" ] || { echo "$DIR is not empty" >&2; exit 2; }
[ ${#DIR} -le 60 ] || { echo "$DIR is too long for a socket's path" >&2; exit 2; }
mkdir "$DIR"/{mon,osd,rgw,run,log}
TLS=
if [ "${S3_TLS:-}" ]; then
  openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=store -addext subjectAltName=IP:127.0.0.1 \
    -keyout "$DIR/store.key" -out "$DIR/store.crt" 2>/dev/null
  TLS=" ssl_endpoint=127.0.0.1:$((PORT + 10)) ssl_certificate=$DIR/store.crt ssl_private_key=$DIR/store.key"
fi
CLUSTER=$(cat /proc/sys/kernel/random/uuid) OSD=$(cat /proc/sys/kernel/random/uuid)
cat > "$DIR/ceph.conf" <<CONF
[global]
fsid = $CLUSTER
mon host = [v1:127.0.0.1:$((PORT + 1))]
mon initial members = a
auth cluster required = none
auth service required = none
auth client required = none
ms bind ipv6 = false
ms bind msgr2 = false
ms bind port min = $((PORT + 2))
ms bind port max = $((PORT + 9))
public addr = 127.0.0.1
cluster addr = 127.0.0.1
run dir = $DIR/run
admin socket = $DIR/run/\$name.asok
pid file =
crash dir = $DIR/log
log file = $DIR/log/\$name.log
log to syslog = false
mon cluster log file = $DIR/log/cluster.log
osd crush chooseleaf type = 0
osd pool default size = 1
osd pool default min size = 1
osd pool default pg num = 4
osd pool default pgp num = 4
osd pool default pg autoscale mode = off
mon allow pool size one = true
mon warn on pool no redundancy = false
mon data avail crit = 1
mon data = $DIR/mon
osd data = $DIR/osd
osd objectstore = memstore
memstore device bytes = ${S3_BYTES:-8589934592}
osd max object name len = 2048
osd crush update on start = false
# Without authentication the OSD may send this before it knows its cluster, and then exits.
osd class update on start = false
paxos propose interval = 0.05
paxos min wait = 0.01
[mon.a]
mon addr = 127.0.0.1:$((PORT + 1))
[client.rgw]
rgw frontends = beast endpoint=127.0.0.1:$PORT$TLS
rgw data = $DIR/rgw
rgw thread pool size = 32
rgw run sync thread = false
rgw enable usage log = false
rgw enable ops log = false
# Room of what was deleted is given back soon, not after hours.
rgw gc obj min wait = 20
rgw gc processor period = 10
rgw gc processor max time = 10
CONF
export CEPH_CONF=$DIR/ceph.conf CEPH_ARGS=
CONF=(--conf "$DIR/ceph.conf")
trap 'rc=$?; if [ $rc != 0 ]; then stop "$DIR"; fi' EXIT

launch() { # NAME COMMAND...: in a session of its own, noted in pids
  local name=$1; shift
  setsid "$@" </dev/null >"$DIR/log/$name.out" 2>&1 &
  echo "$! $(started $!) $name" >> "$DIR/pids"
}
alive() {
  local pid since name
  while read -r pid since name; do
    [ "$(started "$pid")" = "$since" ] || { echo "$name died: $(tail -n 1 "$DIR/log/$name.out")" >&2; exit 1; }
  done < "$DIR/pids"
}
quiet() { "$@" >>"$DIR/log/setup.out" 2>&1 || { tail -n 5 "$DIR/log/setup.out" >&2; echo "failed: $*" >&2; return 1; }; }

if [ "${S3_OWNER:-}" ]; then launch owner "$0" --watch "$DIR" "$S3_OWNER" $$ "$(started $$)"; fi
quiet monmaptool --create --clobber --fsid "$CLUSTER" --addv a "[v1:127.0.0.1:$((PORT + 1))]" "$DIR/monmap"
quiet ceph-mon "${CONF[@]}" -i a --mkfs --monmap "$DIR/monmap"
launch mon ceph-mon "${CONF[@]}" -i a -f --setuser root --setgroup root
for _ in $(seq 100); do # a monitor that lost its port to another program ends at once
  if timeout 3 ceph "${CONF[@]}" mon stat >/dev/null 2>&1; then break; fi
  alive; sleep 0.1
done
alive
# A monitor on a very busy machine answers now and then with EPERM: asked again it knows.
told() { for _ in 1 2 3 4; do if quiet timeout 30 ceph "${CONF[@]}" "$@"; then return 0; fi; sleep 0.5; done; return 1; }
told osd new "$OSD"
told osd crush add osd.0 1 root=default host=localhost
quiet ceph-osd "${CONF[@]}" -i 0 --mkfs --osd-uuid "$OSD"
launch osd ceph-osd "${CONF[@]}" -i 0 -f --setuser root --setgroup root
for _ in $(seq 100); do # radosgw-admin would wait for ever for an OSD that never came up
  if timeout 10 ceph "${CONF[@]}" osd stat 2>/dev/null | grep -q ' 1 up'; then up=1; break; fi
  alive; sleep 0.1
done
[ "${up:-}" ] || { echo "the OSD did not come up" >&2; exit 1; }
user() { quiet timeout 60 radosgw-admin "${CONF[@]}" -n client.rgw user create --uid "$1" --display-name "$1" --access-key "$1" --secret-key "$2"; }
user testaccess testsecret
user locked lockedsecret
launch rgw radosgw "${CONF[@]}" -n client.rgw -f --setuser root --setgroup root
for _ in $(seq 300); do
  if curl -s -m 2 "http://127.0.0.1:$PORT/" 2>/dev/null | grep -q ListAllMyBucketsResult; then
    echo "http://127.0.0.1:$PORT"; exit 0
  fi
  alive; sleep 0.1
done
echo "the store was not ready after 30 s" >&2
exit 1
