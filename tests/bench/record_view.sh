# Runs inside the machine of tests/bench/vm: `taretrace record` on a listen-only controller, without a terminal. First a
# whole job ended by SIGTERM to the view; then a view that is killed while its recorder goes on, and is watched again.
#
#   record_view.sh SCENARIO       leaves /results/job, lines, second, second.lines, *.code
. ./inside.sh
up 3
./taretrace record can0 --into /results/job --definitions definitions.yaml \
    >/results/lines 2>/results/messages & viewer=$!
there /results/job/recorder.jsonl $viewer '"kind": *"start"' || { cat /results/messages; exit 2; }
play "$1" can1 can2 /results
kill -TERM $viewer
wait $viewer
echo $? >/results/viewer.code

./taretrace record can0 --into /results/second --definitions definitions.yaml >/dev/null 2>&1 & viewer=$!
there /results/second/recorder.jsonl $viewer '"kind": *"start"' || exit 2
recorder=$(cat "/proc/$viewer/task/$viewer/children")
echo "$recorder" | wc -w >/results/children
kill -9 $viewer
wait $viewer 2>/dev/null
./taretrace watch /results/second >/results/second.lines 2>&1 & watcher=$!
play "$1" can1 can2 /results
grep -c '"kind": *"checkpoint"' /results/second/recorder.jsonl >/results/checkpoints
kill -INT $recorder
wait $watcher
echo $? >/results/watcher.code
touch /results/went
