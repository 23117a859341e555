"""Asks tests/outside/ratio_probe many questions at once and counts the differences. Used by the checks beside it."""
import pathlib
import subprocess
import sys


class Probe:
    """Collects questions with the answers an outside tool gives, then compares them all."""

    def __init__(self, arguments):
        default = pathlib.Path(__file__).resolve().parent.parent.parent / "build" / "ratio_probe"
        self.path = arguments[1] if len(arguments) > 1 else str(default)
        self.questions = []
        self.judges = []

    def ask(self, question, judge):
        """judge: the expected answer as text, or a function that takes the answer and tells whether it is right."""
        self.questions.append(question)
        self.judges.append(judge)

    def finish(self, least):
        """Runs the probe, prints the count and ends the script: 0 only when every answer was right."""
        run = subprocess.run([self.path], input="\n".join(self.questions) + "\n", text=True, encoding="ascii",
                             stdout=subprocess.PIPE, check=True)
        answers = run.stdout.split("\n")[:-1]
        if len(answers) != len(self.questions):
            sys.exit(f"{len(self.questions)} questions, {len(answers)} answers")
        wrong = 0
        for question, judge, answer in zip(self.questions, self.judges, answers):
            if not (judge(answer) if callable(judge) else judge == answer):
                wrong += 1
                if wrong <= 20:
                    expected = "" if callable(judge) else f", expected {judge}"
                    print(f"{question}: {answer}{expected}")
        if wrong:
            print(f"{wrong} answers differ")
        print(f"{len(answers)} checked")
        if len(answers) < least:
            sys.exit(f"fewer than {least}: something was left out")
        sys.exit(1 if wrong else 0)


def as_hex(data):
    return data.hex() or "-"


def as_text(number):
    return f"{number.numerator}/{number.denominator}"
