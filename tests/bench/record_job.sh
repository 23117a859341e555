# Runs inside the machine of tests/bench/vm with four controllers on one bus: the recorder on can0 (listen-only), the
# tester on can1, the seat module on can2, the witness on can3.
#
#   record_job.sh SCENARIO        leaves /results/job, witness, tester.list, seat.list, counters, link, *.code
. ./inside.sh
up 4
witness can3 /results/witness || exit 2
record /results/job can0 --definitions definitions.yaml || exit 2
play "$1" can1 can2 /results
ends $recorder /results/recorder
ends $witness /results/witness
counters can0 can1 can2 can3 >/results/counters
$IP -d link show can0 >/results/link
read -r now _ </proc/uptime
echo "the job ended $now s after power-on"
touch /results/went
