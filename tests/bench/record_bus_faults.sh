# Runs inside the machine of tests/bench/vm with four controllers on one bus: what can go wrong with the recorder's own
# controller, can0. Tester on can1, seat module on can2, witness on can3.
#
#   record_bus_faults.sh CASE...      leaves /results/CASE/job and what the case's function below adds
. ./inside.sh
definitions="--definitions definitions.yaml"
up 4

# job_with_fault CASE SECONDS: the short job; after so many seconds fault_CASE is called.
job_with_fault() {
    case=$1
    received >"$here/base"
    record "$here/job" can0 $definitions || return 2
    begin_play short-job.scenario can1 can2 "$here"
    until_second "$2"
    "fault_$case"
    end_play
    ends $recorder "$here/recorder"
}
# What the kernel had handed over when the link went down: the frames before the gap.
received() { cat /sys/class/net/can0/statistics/rx_packets; }

case_down() { job_with_fault down 6.2; }
fault_down() {
    $IP link set can0 down
    received >"$here/before"
    sleep 0.4
    $IP link set can0 up
}

case_acknowledging() { job_with_fault acknowledging 11.2; }
fault_acknowledging() {
    $IP link set can0 down
    received >"$here/before"
    $IP link set can0 type can listen-only off && $IP link set can0 up
    received >"$here/behind"
}

# Two controllers send as fast as they can: the recorder's may lose some, but none that nobody is told of.
case_overload() {
    record "$here/job" can0 || return 2
    ./load can1 200000 8000 111 >"$here/load-1" & one=$!
    ./load can2 200000 8000 112 >"$here/load-2" & other=$!
    wait $one $other
    sleep 0.5
    ends $recorder "$here/recorder"
    counters can0 can1 can2 >"$here/counters"
}

case_stopped() {
    as_nobody
    record "$here/job" can0 || return 2
    reader=$(reader_of $recorder)
    ./load can1 3000 18000 >"$here/load" & load=$!
    sleep 0.5
    kill -STOP "$reader"
    sleep 5
    kill -CONT "$reader"
    wait $load
    sleep 0.5
    ends $recorder "$here/recorder"
    counters can0 can1 can2 >"$here/counters"
}

# The card is pulled.
case_gone() {
    record "$here/job" can0 || return 2
    ./load can1 1000 1000 >"$here/load"
    sleep 0.3
    device=$(readlink -f /sys/class/net/can0/device)
    echo "${device##*/}" >"$device/driver/unbind"
    wait $recorder
    echo $? >"$here/recorder.code"
}

# refuse NAME COMMAND...: what a recorder says that does not begin.
refuse() {
    name=$1; shift
    timeout 10 "$@" >"$here/$name.said" 2>"$here/$name.error"
    echo $? >"$here/$name.code"
}
case_refused() {
    $IP link add down0 type vcan
    mkdir "$here/there" /tiny /closed
    echo mine >"$here/there/file"
    mount -t tmpfs -o size=16k none /tiny
    chmod 700 /closed
    refuse missing ./taretrace-record can9 --into "$here/job"
    refuse not-can ./taretrace-record lo --into "$here/job"
    refuse down ./taretrace-record down0 --virtual --into "$here/job"
    refuse virtual ./taretrace-record v0 --into "$here/job"
    refuse exists ./taretrace-record v0 --virtual --into "$here/there"
    refuse no-room ./taretrace-record v0 --virtual --into /tiny/job
    refuse no-folder ./taretrace-record v0 --virtual --into "$here/nowhere/job"
    refuse acknowledging ./taretrace-record can1 --into "$here/job"
    witness can1 "$here/busy.witness" # somebody else listens: the bit rate is not changed under him
    refuse busy ./taretrace-record can1 --bitrate 250000 --into "$here/job"
    ends $witness "$here/busy.witness-code"
    witness=
    refuse not-permitted $python as_nobody.py ./taretrace-record can1 --bitrate 500000 --into /tmp/job
    refuse closed $python as_nobody.py ./taretrace-record v0 --virtual --into /closed/job
    ls -A "$here" /closed /tiny /tmp >"$here/left"
    $IP -d link show can1 >"$here/link"
}

$IP link add v0 type vcan && $IP link set v0 up || exit 2
for case_name in "$@"; do mkdir "/results/$case_name"; done
for case_name in "$@"; do
    here=/results/$case_name as_whom=
    case $case_name in refused) witness= ;; *) witness can3 "$here/witness" || exit 2 ;; esac
    $IP link set can0 down
    $IP link set can0 type can bitrate 500000 listen-only on
    $IP link set can0 up
    case_"$case_name" || { echo "case $case_name did not work"; exit 2; }
    [ -z "$witness" ] || ends $witness "$here/witness-code"
    read -r now _ </proc/uptime
    echo "$case_name: until $now s after power-on"
done
touch /results/went
