# What the scripts inside the machine share: `. ./inside.sh`. A file /results/went says that a script ran to its end.
export PYTHONHOME=/bench/python
python="/bench/python/bin/python3 -S"

# up N: controllers can0 to canN-1 at 500 kbit/s, can0 listen-only.
up() {
    n=0
    while [ $n -lt "$1" ]; do
        only=off; [ $n != 0 ] || only=on
        $IP link set can$n up type can bitrate 500000 listen-only $only || { echo "can$n does not come up"; exit 2; }
        n=$((n + 1))
    done
}

# there FILE PID [TEXT]: waits until FILE is there (and holds TEXT), as long as the process lives.
there() {
    tries=0
    until [ -e "$1" ] && { [ -z "${3:-}" ] || grep -q "$3" "$1"; }; do
        kill -0 "$2" 2>/dev/null && [ $tries -lt 400 ] || { echo "waited in vain for $1"; return 1; }
        tries=$((tries + 1))
        sleep 0.05
    done
}

# witness INTERFACE FILE...: starts it; $witness is its process.
witness() {
    $python witness.py "$@" & witness=$!
    for last in "$@"; do :; done
    there "$last" $witness
}

# Root's receive buffer holds 80,000 frames; a user's only what the system allows (here 10,000), and so it can overflow.
as_whom=
as_nobody() {
    echo 4194304 >/proc/sys/net/core/rmem_max
    chmod 777 "$here"
    as_whom="$python as_nobody.py"
}

# record JOB ARGUMENT...: starts the recorder into the folder JOB; $recorder is its process. What it says goes to
# JOB.said.
record() {
    job=$1; shift
    $as_whom ./taretrace-record "$@" --into "$job" >"$job.said" 2>&1 & recorder=$!
    there "$job/recorder.jsonl" $recorder '"kind": *"start"' || { cat "$job.said"; return 1; }
}

# reader_of, keeper_of PROCESS: which of the recorder's two processes is which. The reader has the filter (proc(5)).
with_filter() { # PROCESS 2-or-0: waits until the reader has taken its filter
    tries=0
    until [ $tries -ge 100 ]; do
        with='' without=''
        for process in $1 $(cat "/proc/$1/task/$1/children"); do
            if grep -q '^Seccomp:.*2$' "/proc/$process/status"; then with=$process; else without=$process; fi
        done
        [ -z "$with" ] || break
        tries=$((tries + 1))
        sleep 0.02
    done
    [ "$2" = 2 ] && echo "$with" || echo "$without"
}
reader_of() { with_filter "$1" 2; }
keeper_of() { with_filter "$1" 0; }

# play SCENARIO LINK-OF-TESTER LINK-OF-SEAT FOLDER: the whole scenario; lists and codes go to the folder. Sets $zero.
begin_play() {
    zero=$(second_zero)
    ./seat_module "$3" "$1" "$zero" "$4/seat.list" & seat=$!
    person=
    if grep -q '^[0-9.]* *person ' "$1"; then $python person.py "$1" "$zero" "$4/job" & person=$!; fi
    ./scan_tool "$2" "$1" "$zero" "$4/tester.list" >"$4/tester.heard" & tester=$!
}
end_play() {
    wait $tester
    echo $? >"$4/tester.code"
    if [ -n "$person" ]; then wait "$person"; echo $? >"$4/person.code"; fi
    ends $seat "$4/seat"
    sleep 0.3
}
play() { begin_play "$@"; end_play "$@"; }

# until_second SECONDS: sleeps until then, counted from $zero.
until_second() {
    read -r up_time _ </proc/uptime
    sleep "$(echo "$zero $1 $up_time" | awk '{ left = $1 + $2 - $3; printf("%.2f", (left > 0) ? left : 0) }')"
}

# ends PROCESS NAME: SIGTERM, waits, and keeps its code in NAME.code (127 if it is not this shell's own).
ends() {
    kill -TERM "$1" 2>/dev/null
    wait "$1"
    echo $? >"$2.code"
    while kill -0 "$1" 2>/dev/null; do sleep 0.05; done
}

# second_zero: prints a moment half a second ahead on the clock that the scenario's programs use (CLOCK_MONOTONIC).
second_zero() {
    read -r up_time _ </proc/uptime
    echo "$up_time" | awk '{ printf "%.2f", $1 + 0.5 }'
}

counters() { for one in "$@"; do echo "$one"; for name in tx_packets tx_dropped rx_packets rx_dropped rx_over_errors; do
    echo "$name $(cat /sys/class/net/"$one"/statistics/$name)"; done; done; }
