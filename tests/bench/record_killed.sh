# Runs inside the machine of tests/bench/vm: kill -9 at many moments under load, on a virtual link (killer.py).
#
#   record_killed.sh RATE         reads /bench/moments, leaves /results/jobs/N, /results/jobs/rounds, /results/witness
. ./inside.sh
$IP link add vcan0 type vcan && $IP link set vcan0 up || exit 2
mkdir /results/jobs
witness vcan0 /results/witness || exit 2
$python killer.py vcan0 /results/jobs "$1" moments || exit 2
sleep 0.1
ends $witness /results/witness
read -r now _ </proc/uptime
echo "the last kill was $now s after power-on"
touch /results/went
