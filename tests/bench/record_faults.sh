# Runs inside the machine of tests/bench/vm: what can go wrong while a virtual link is recorded, a case each, one after
# the other.
#
#   record_faults.sh CASE...      leaves /results/CASE/job and what the case's function below adds
. ./inside.sh
definitions="--definitions definitions.yaml"

# job_with_fault CASE SECONDS: the short job, recorded on the case's link; after so many seconds fault_CASE is called.
job_with_fault() {
    case=$1
    record "$here/job" "$link" --virtual $definitions || return 2
    begin_play short-job.scenario "$link" "$link" "$here"
    until_second "$2"
    "fault_$case"
    end_play
    ends $recorder "$here/recorder"
}

case_plain() { job_with_fault plain 11.2; }
fault_plain() { :; }

# Between the readings of the empty seat and those of the weight: more frames than the reader's buffer holds, while it
# is stopped.
case_loss() { as_nobody; job_with_fault loss 6.2; }
fault_loss() {
    reader=$(reader_of $recorder)
    kill -STOP "$reader"
    ./load "$link" 60000 18000 >"$here/load"
    kill -CONT "$reader"
}

case_errors() { job_with_fault errors 7.1; }
# linux/can/error.h: bus-off, restarted, controller passive (receive, send), receive overrun; 8 data bytes each.
fault_errors() {
    $python inject.py "$link" 20000040:0000000000000000 20000100:0000000000000000 20000004:0010000000000000 \
        20000004:0020000000000000 20000004:0001000000000000
}

case_forward() { job_with_fault forward 11.2; }
fault_forward() { date -s "@$(($(date +%s) + 3600))" >/dev/null; }

case_back() { job_with_fault back 11.2; }
fault_back() { date -s "@$(($(date +%s) - 3600))" >/dev/null; }

case_sync() { LD_PRELOAD=/bench/sync_fails.so; export LD_PRELOAD; record_sync; }
record_sync() {
    record "$here/job" "$link" --virtual $definitions; went=$?
    unset LD_PRELOAD
    [ $went = 0 ] || return 2
    begin_play short-job.scenario "$link" "$link" "$here"
    until_second 11.2
    touch /tmp/sync-fails
    end_play
    ends $recorder "$here/recorder"
    rm /tmp/sync-fails
}

case_keeper() { job_with_fault keeper 11.2; }
fault_keeper() {
    keeper=$(keeper_of $recorder) reader=$(reader_of $recorder)
    kill -KILL "$keeper"
    # What remains is ended by its own signal once the job is over.
    recorder=$reader
}

# The live view dies; the recorder that it had started is then ended by a signal of its own.
case_viewer() {
    ./taretrace record "$link" --virtual $definitions --into "$here/job" >"$here/viewer.said" 2>&1 & viewer=$!
    there "$here/job/recorder.jsonl" $viewer '"kind": *"start"' || { cat "$here/viewer.said"; return 2; }
    read -r recorder _ <"/proc/$viewer/task/$viewer/children"
    begin_play short-job.scenario "$link" "$link" "$here"
    until_second 11.2
    kill -KILL $viewer
    end_play
    ends "$recorder" "$here/recorder"
}

case_marks() { job_with_fault marks 11.2; }
# Somebody changes what was noted before.
fault_marks() {
    echo '{"time": "2026-01-01T00:00:00Z", "kind": "note", "text": "one"}' >"$here/job/marks.jsonl"
    sleep 2.2
    sed -i 's/one/two/' "$here/job/marks.jsonl"
}

# stopped: the reader stands still for 5 s under load that goes on; tail: under load that ends while it stands still.
case_stopped() { stand_still 32000; }
case_tail() { stand_still 18000; }
stand_still() {
    as_nobody
    record "$here/job" "$link" --virtual || return 2
    reader=$(reader_of $recorder)
    ./load "$link" 4000 "$1" >"$here/load" & load=$!
    sleep 1
    kill -STOP "$reader"
    sleep 5
    kill -CONT "$reader"
    wait $load
    sleep 0.2
    ends $recorder "$here/recorder"
}

case_removed() {
    record "$here/job" "$link" --virtual || return 2
    ./load "$link" 2000 2000 >"$here/load"
    sleep 0.2
    $IP link del "$link"
    left_alone
}

# left_alone: the recorder is to end by itself, within 10 s; if it does not, it is killed, and its code tells.
left_alone() {
    tries=0
    while kill -0 $recorder 2>/dev/null && [ $tries -lt 100 ]; do sleep 0.1; tries=$((tries + 1)); done
    ! kill -KILL $recorder 2>/dev/null || echo "the recorder did not end by itself"
    wait $recorder
    echo $? >"$here/recorder.code"
}

# A file system of 2 MB, and load until it is full.
case_full() {
    mkdir /small && mount -t tmpfs -o size=2m none /small || return 2
    record /small/job "$link" --virtual || return 2
    ./load "$link" 8000 0 >"$here/load" & load=$!
    left_alone
    kill $load
    df -k /small >"$here/df"
    cp -R /small/job "$here/job"
    cp /small/job.said "$here/job.said"
    umount /small
}

# Four links at once, for a second: first the senders alone, then with the recorder.
case_rate() {
    for n in 0 1 2 3; do $IP link add r$n type vcan && $IP link set r$n up || return 2; done
    four_loads alone
    record "$here/job" r0 r1 r2 r3 --virtual || return 2
    four_loads recorded
    sleep 0.5
    ends $recorder "$here/recorder"
}
four_loads() {
    loads=
    for n in 0 1 2 3; do
        ./load r$n "$rate" "$rate" >"$here/load-$1-$n" & loads="$loads $!"
    done
    wait $loads
}

rate=21276
links=
number=0
for case_name in "$@"; do
    mkdir "/results/$case_name"
    $IP link add v$number type vcan && $IP link set v$number up || exit 2
    case $case_name in
    stopped | tail | rate) ;; # the sender's own count is the witness
    *) links="$links v$number /results/$case_name/witness" ;;
    esac
    number=$((number + 1))
done
if [ -n "$links" ]; then
    witness $links || exit 2
fi
number=0
for case_name in "$@"; do
    here=/results/$case_name link=v$number as_whom=
    number=$((number + 1))
    case_"$case_name" || { echo "case $case_name did not work"; exit 2; }
    read -r now _ </proc/uptime
    echo "$case_name: until $now s after power-on"
done
[ -z "$links" ] || ends $witness /results/witness
touch /results/went
