"""Counts the checks of one script, names those that fail and ends with the line that tests/run adds up."""

import sys
from collections import Counter


class Tally:
    def __init__(self, topic):
        self.topic = topic
        self.passed = Counter()
        self.failed = Counter()

    def check(self, name, holds):
        (self.passed if holds else self.failed)[name] += 1

    def finish(self):
        for name, times in self.failed.items():
            print(f"FAILED {self.topic}: {name}, {times} of {times + self.passed[name]} times")
        print(f"{self.topic}: {self.passed.total()} passed, {self.failed.total()} failed")
        sys.exit(1 if self.failed else 0)
