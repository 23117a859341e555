# Runs inside the machine of tests/bench/vm: for each group of plans a virtual CAN FD link of its own, a witness on it,
# and one isotp_talk for each plan of the group, all at once.
#
#   conversations.sh AT-ONCE          plans are /bench/plans/GROUP/*.plan; {bus} in them is the group's link
#
# Leaves /results/GROUP.pcap, GROUP.pcap.count (frames, dropped) and GROUP.said (a line for each plan, and for each
# payload that the kernel's own sockets lost). Exit: 0 nothing was lost anywhere.

talk_group() { # GROUP LINK
    $IP link add "$2" mtu 72 type vcan && $IP link set "$2" up || return 2
    ./witness "$2" "/results/$1.pcap" &
    witness=$!
    while ! [ -e "/results/$1.pcap" ]; do
        kill -0 $witness || return 2
        sleep 0.05
    done
    talkers=
    for plan in plans/"$1"/*.plan; do
        sed -i "s/{bus}/$2/" "$plan"
        ./isotp_talk "$plan" >"$plan.said" &
        talkers="$talkers $!"
    done
    good=0
    for talker in $talkers; do
        wait "$talker" || good=1
    done
    kill -TERM $witness
    wait $witness || good=2
    cat plans/"$1"/*.said >"/results/$1.said"
    return $good
}

bad=0
number=0
waiting=
for folder in plans/*; do
    group=${folder#plans/}
    talk_group "$group" "vcan$number" &
    waiting="$waiting $!"
    number=$((number + 1))
    if [ $((number % $1)) = 0 ]; then
        for one in $waiting; do wait "$one" || bad=1; done
        waiting=
    fi
done
for one in $waiting; do wait "$one" || bad=1; done
read -r up rest </proc/uptime
echo "the conversations ended $up s after power-on"
exit $bad
