#!/bin/sh
# Definition files with mistakes, and what lint must say of each (D 6.2).
#
#   sh tests/definitions/run.sh build/taretrace
#
# bad/NAME.yaml must end with code 65 and with exactly the messages of bad/NAME.expect, in this order; one line there is
# "SEVERITY LINE:COLUMN WORDS" (or "SEVERITY - WORDS" for the file as a whole): the message holds the words. Every
# error also says what to do, behind a semicolon, and comes with a caret when it has a line. good/NAME.yaml must end
# with 0 and with exactly the warnings of good/NAME.expect; without that file, with none. The expectations were written
# by hand.
set -u
[ $# -eq 1 ] || { echo "usage: $0 PROGRAM" >&2; exit 64; }
case $1 in /*) program=$1 ;; *) program=$(pwd)/$1 ;; esac
cd "$(dirname -- "$0")" || exit 70
said=$(mktemp) || exit 73
trap 'rm -f "$said"' EXIT
failed=0
files=0
messages=0

# check FILE EXPECT-FILE CODE
check() {
    files=$((files + 1))
    LC_ALL=C timeout 20 "$program" lint "$1" >/dev/null 2>"$said"
    code=$?
    [ "$code" = "$3" ] || { echo "FAILED $1: ended with $code, not $3"; failed=$((failed + 1)); }
    LC_ALL=C awk -v file="$1" -v expected="$2" '
        BEGIN { while ((getline line < expected) > 0) want[++wanted] = line }
        function fail(text) { print "FAILED " file ": " text; bad = 1 }
        # "error: bad/x.yaml:5:12: words" or "error: bad/x.yaml: words"
        /^(error|warning|remark): / {
            got++
            severity = $1; sub(/:$/, "", severity)
            text = $0; sub(/^[a-z]+: /, "", text)
            if (index(text, file ":") != 1) { fail("not about this file: " $0); next }
            text = substr(text, length(file) + 2)
            place = "-"
            if (match(text, /^[0-9]+:[0-9]+: /)) {
                place = substr(text, 1, RLENGTH - 2)
                text = substr(text, RLENGTH + 1)
            }
            if (severity == "error" && index(text, "; ") == 0) fail("does not say what to do: " $0)
            if (got > wanted) { fail("not expected: " $0); next }
            words = want[got]; sub(/^[a-z]+ [^ ]+ /, "", words)
            split(want[got], part, " ")
            if (part[1] != severity || part[2] != place || index(text, words) == 0)
                fail("expected \"" want[got] "\", got: " $0)
            carets += place == "-"
            next
        }
        /^ *\^$/ { carets++ }
        END {
            if (got < wanted) fail("message " got + 1 " is missing: \"" want[got + 1] "\"")
            if (carets != got) fail(got " messages, but " carets + 0 " with a caret or without a line")
            exit bad
        }' "$said" || failed=$((failed + 1))
    [ ! -s "$2" ] || messages=$((messages + $(grep -c . "$2")))
}

for yaml in bad/*.yaml; do check "$yaml" "${yaml%.yaml}.expect" 65; done
for yaml in good/*.yaml ../../definitions/template.yaml ../../definitions/examples/*.yaml; do
    case $yaml in good/*) expect=${yaml%.yaml}.expect ;; *) expect=/dev/null ;; esac
    [ -f "$expect" ] || expect=/dev/null
    check "$yaml" "$expect" 0
done
echo "$files definition files, $messages messages expected, $failed failed"
[ "$failed" = 0 ] && [ "$files" -gt 50 ]
