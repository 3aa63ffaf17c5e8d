"""Runs commands side by side and prints what they cost, as JSON. A fresh process for each row, so that rows do not mix.

usage: measured.py '[["program", "argument"], ...]'
"""
import json
import resource
import subprocess
import sys
import time

commands = json.loads(sys.argv[1])
start = time.perf_counter()
running = [subprocess.Popen(c, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) for c in commands]
outputs = [p.communicate()[0] for p in running]
seconds = time.perf_counter() - start
used = resource.getrusage(resource.RUSAGE_CHILDREN)  # of all descendants that somebody waited for; the peak is that of the largest
print(json.dumps({"seconds": seconds, "cpu_seconds": used.ru_utime + used.ru_stime, "peak_mb": used.ru_maxrss / 1024,
                  "outputs": outputs, "codes": [p.returncode for p in running]}))
