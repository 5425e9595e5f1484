"""Started by mpiexec in place of the program: runs it and adds its peak resident memory, MiB, to a file.

    mpiexec -n N peak_memory.py FILE PROGRAM ARGUMENTS...
"""
import resource
import subprocess
import sys

# the launcher talks to the program through an open file that must stay open
done = subprocess.run(sys.argv[2:], close_fds=False, check=False)
with open(sys.argv[1], "a", encoding="ascii") as f:
    f.write(f"{resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024:.1f}\n")
sys.exit(done.returncode)
