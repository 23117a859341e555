# Runs inside the machine of tests/bench/vm with two controllers on one bus, neither of them listen-only: the recorder
# on can0 makes one more call (capture/probe.c): taretrace-record-unfiltered without the filter,
# taretrace-record-probe behind it. The witness is on can1.
#
#   record_sends.sh CALL...      leaves /results/witness and, for each call, /results/CALL-unfiltered and CALL-filtered:
#                                recorder.code, sent, dropped, said, job, and "alive" if the recorder went on
. ./inside.sh
for link in can0 can1; do $IP link set $link up type can bitrate 500000 || exit 2; done
statistic() { cat /sys/class/net/can0/statistics/$1; }

# attempt PROGRAM FOLDER CALL ID: three frames with the identifier ID make the reader's turn come.
attempt() {
    here=/results/$2
    mkdir "$here"
    sent=$(statistic tx_packets) dropped=$(statistic tx_dropped)
    CAPTURE_PROBE=$3 ./"$1" can0 --accept-acknowledging --into "$here/job" >"$here/said" 2>&1 & recorder=$!
    there "$here/job/recorder.jsonl" $recorder '"kind": *"start"' || { cat "$here/said"; exit 2; }
    ./load can1 1000 3 "$4" >"$here/load"
    tries=0
    while kill -0 $recorder 2>/dev/null && [ $tries -lt 6 ]; do sleep 0.05; tries=$((tries + 1)); done
    ! kill -0 $recorder 2>/dev/null || echo alive >"$here/alive"
    ends $recorder "$here/recorder"
    echo $(($(statistic tx_packets) - sent)) >"$here/sent"
    echo $(($(statistic tx_dropped) - dropped)) >"$here/dropped"
}

witness can1 /results/witness || exit 2
number=256
for call in "$@"; do
    attempt taretrace-record-unfiltered "$call-unfiltered" "$call" "$(printf %x $number)"
    attempt taretrace-record-probe "$call-filtered" "$call" "$(printf %x $((number + 1)))"
    number=$((number + 2))
done
sleep 0.1
ends $witness /results/witness
touch /results/went
