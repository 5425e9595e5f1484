#!/usr/bin/python3
"""A private SLURM on this machine: munged, slurmctld and four slurmd that play nodes. Run a command inside:

    tests/slurm/cluster.py [COMMAND...]     default: a shell

The command finds it by SLURM_CONF, and its folder by SLURM_TEST_DIR. When the command ends, or this program is told to
end or killed, all daemons and all jobs end: orphans of a process below this one get it for a parent, so "its own" are
exactly its descendants. Exit status: the command's; 77 when SLURM cannot run here."""
import ctypes
import os
import pathlib
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time

SKIPPED = 77
TOLD_TO_END = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT)
NODES, CPUS = 4, 2
PR_SET_PDEATHSIG, PR_SET_CHILD_SUBREAPER = 1, 36  # linux/prctl.h
NEEDED = ("munged", "slurmctld", "slurmd", "sbatch", "srun", "scontrol", "mpiexec")

# Neither cgroups nor systemd nor accounting; times are short, so that seconds show what takes minutes on a cluster.
CONFIGURATION = """
ClusterName=test
SlurmctldHost=localhost(127.0.0.1)
SlurmctldPort={port}
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
CredType=cred/munge
AuthInfo=socket={folder}/munge/socket,cred_expire=5
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/spool.%n
SlurmctldPidFile={folder}/slurmctld.own-pid
SlurmdPidFile={folder}/slurmd.%n.own-pid
SlurmctldLogFile={folder}/log/slurmctld
SlurmdLogFile={folder}/log/slurmd.%n
CommunicationParameters=NoInAddrAny,NoCtldInAddrAny
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/none
AccountingStorageType=accounting_storage/none
JobCompType=jobcomp/none
SwitchType=switch/none
SlurmdParameters=config_overrides
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU
SchedulerType=sched/backfill
SchedulerParameters=bf_interval=1,sched_interval=1,batch_sched_delay=0,sched_min_interval=0
MpiDefault=pmi2
JobRequeue=1
SlurmdTimeout=10
SlurmctldTimeout=10
InactiveLimit=0
KillWait=30
MinJobAge=600
ReturnToService=2
NodeName=n[1-{nodes}] NodeHostname=localhost NodeAddr=127.0.0.1 Port={first}-{last} CPUs={cpus} RealMemory=8000 State=UNKNOWN
PartitionName=test Nodes=ALL Default=YES MaxTime=INFINITE State=UP OverSubscribe=NO
"""


def prctl(option, value):
    if ctypes.CDLL(None, use_errno=True).prctl(option, value, 0, 0, 0):
        raise OSError(ctypes.get_errno(), "prctl")


def children(pid):
    try:
        tasks = os.listdir(f"/proc/{pid}/task")
        return [int(c) for t in tasks for c in pathlib.Path(f"/proc/{pid}/task/{t}/children").read_text().split()]
    except OSError:
        return []


def descendants(pid):
    return [p for child in children(pid) for p in (child, *descendants(child))]


def kill(pid):
    try:
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        pass


def end_descendants():
    """SIGKILL to every one, until there is none."""
    for _ in range(200):
        mine = descendants(os.getpid())
        if not mine:
            break
        for pid in mine:
            kill(pid)
        while True:  # those that are dead
            try:
                if os.waitpid(-1, os.WNOHANG)[0] == 0:
                    break
            except ChildProcessError:
                break
        time.sleep(0.02)


def why_not():
    """Why SLURM cannot run here, or None."""
    if os.geteuid() != 0:
        return "slurmd starts jobs for users: it must be run as root"
    missing = [name for name in NEEDED if not shutil.which(name)]
    return f"not installed: {', '.join(missing)} (jobs/install.sh tests installs them)" if missing else None


def free_ports(count):
    """The first of so many free ports in a row, below the usual range of ports that are given out."""
    for first in range(20000 + os.getpid() % 500 * 20, 32000, 20):
        held = []
        try:
            for port in range(first, first + count):
                held.append(socket.socket())
                held[-1].bind(("127.0.0.1", port))
            return first
        except OSError:
            pass
        finally:
            for s in held:
                s.close()
    raise RuntimeError("no free ports")


def slurmd_command(folder, node):
    return ["slurmd", "-D", "-f", f"{folder}/slurm.conf", "-N", node]


def start_daemon(folder, name, words):
    """In the background, away from the terminal; its pid goes into NAME.pid."""
    with open(folder / "log" / f"{name}.out", "ab") as log:
        daemon = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True,
                                  preexec_fn=lambda: prctl(PR_SET_PDEATHSIG, signal.SIGKILL))
    (folder / f"{name}.pid").write_text(str(daemon.pid))
    return daemon


class Cluster:
    """`with Cluster() as cluster:`; its folder is `cluster.folder`, and SLURM_CONF is set."""

    def __enter__(self):
        prctl(PR_SET_CHILD_SUBREAPER, 1)
        self.folder = pathlib.Path(tempfile.mkdtemp(prefix="cantle-slurm-"))
        try:
            self.start()
        except BaseException:
            self.__exit__()
            raise
        return self

    def start(self):
        self.folder.chmod(0o755)
        for name in ("munge", "state", "log", *(f"spool.n{i + 1}" for i in range(NODES))):
            (self.folder / name).mkdir()
        (self.folder / "munge" / "key").touch(0o600)
        (self.folder / "munge" / "key").write_bytes(os.urandom(128))
        port = free_ports(NODES + 1)
        (self.folder / "slurm.conf").write_text(CONFIGURATION.format(
            folder=self.folder, port=port, first=port + 1, last=port + NODES, nodes=NODES, cpus=CPUS))
        for name in [n for n in os.environ if n.startswith(("SLURM", "HYDRA", "PMI", "CANTLE_"))]:
            del os.environ[name]
        os.environ.update(SLURM_CONF=f"{self.folder}/slurm.conf", SLURM_TEST_DIR=str(self.folder))
        munge = self.folder / "munge"
        self.daemons = [start_daemon(self.folder, "munged", [
            "munged", "--foreground", f"--socket={munge}/socket", f"--key-file={munge}/key",
            f"--pid-file={munge}/pid", f"--seed-file={munge}/seed", f"--log-file={munge}/log"])]
        self.wait("munged has no socket", (munge / "socket").exists)
        self.daemons.append(start_daemon(self.folder, "slurmctld", ["slurmctld", "-D", "-i", "-f",
                                                                    os.environ["SLURM_CONF"]]))
        for i in range(NODES):
            self.daemons.append(start_daemon(self.folder, f"slurmd.n{i + 1}", slurmd_command(self.folder, f"n{i + 1}")))
        self.wait("not all nodes are idle", self.all_idle)

    def all_idle(self):
        shown = subprocess.run(["sinfo", "-h", "-N", "-o", "%T"], capture_output=True, text=True).stdout
        return shown.split() == ["idle"] * NODES

    def wait(self, complaint, condition, seconds=120):
        end = time.monotonic() + seconds
        while not condition():
            ended = [d for d in self.daemons if d.poll() is not None]
            if ended or time.monotonic() > end:
                logs = "".join(f"--- {p.name}\n{p.read_text()[-1000:]}\n" for p in sorted((self.folder / "log").iterdir()))
                raise RuntimeError(f"{complaint}; ended: {[d.args[0] for d in ended]}\n{logs}")
            time.sleep(0.1)

    def __exit__(self, *_):
        for number in TOLD_TO_END:
            signal.signal(number, signal.SIG_IGN)
        end_descendants()
        shutil.rmtree(self.folder, ignore_errors=True)


class Node:
    """For the command inside: breaks and repairs a node of the SLURM that SLURM_TEST_DIR names."""

    restarted = []  # daemons, held so that Python does not wonder about them

    def __init__(self, name):
        self.name, self.folder = name, pathlib.Path(os.environ["SLURM_TEST_DIR"])

    def is_of_a_job(self, pid):
        """slurmstepd has the log of its node open."""
        try:
            if not os.path.basename(os.readlink(f"/proc/{pid}/exe")).startswith("slurmstepd"):  # slurmstepd-wlm on Debian
                return False
            files = os.listdir(f"/proc/{pid}/fd")
            return any(os.readlink(f"/proc/{pid}/fd/{f}") == f"{self.folder}/log/slurmd.{self.name}" for f in files)
        except OSError:
            return False

    def processes(self):
        """Of the jobs on this node."""
        everywhere = [int(p) for p in os.listdir("/proc") if p.isdigit()]
        return [p for step in everywhere if self.is_of_a_job(step) for p in (step, *descendants(step))]

    def lose_contact(self):
        """Only slurmd dies; what jobs run here goes on, unseen."""
        kill(int((self.folder / f"slurmd.{self.name}.pid").read_text()))

    def lose_power(self):
        """slurmd and everything that jobs run here, at once."""
        self.lose_contact()
        for _ in range(3):  # a process may just be born
            for pid in self.processes():
                kill(pid)

    def start(self):
        self.restarted.append(start_daemon(self.folder, f"slurmd.{self.name}", slurmd_command(self.folder, self.name)))

    def state(self):
        return subprocess.run(["sinfo", "-h", "-n", self.name, "-o", "%T"], capture_output=True, text=True).stdout.strip()


def told_to_end(number, _):
    raise SystemExit(128 + number)


def keep(command):
    """In a process of its own, which ends everything when this one is gone."""
    prctl(PR_SET_PDEATHSIG, signal.SIGTERM)
    for number in TOLD_TO_END:
        signal.signal(number, told_to_end)
    with Cluster():
        return subprocess.run(command or ["bash"]).returncode


def main(command):
    reason = why_not()
    if reason:
        print(f"SKIPPED: {reason}", flush=True)
        return SKIPPED
    prctl(PR_SET_CHILD_SUBREAPER, 1)
    keeper = os.fork()
    if keeper == 0:
        sys.exit(keep(command))
    for number in TOLD_TO_END:
        signal.signal(number, lambda *_: os.kill(keeper, signal.SIGTERM))
    status = os.waitstatus_to_exitcode(os.waitpid(keeper, 0)[1])
    end_descendants()  # something is left only if the keeper itself was killed
    return status if status >= 0 else 128 - status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
