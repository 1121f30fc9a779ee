"""The walls around the process that opens untrusted files, and a trial of each of them.

A seccomp filter lets through only the calls that decoding needs: no sockets, no new processes,
no opening of files (what a job may touch is handed over as open files), no tracing or
signalling of others, no new executable memory. Everything else is answered with EPERM, except
clone3, which is answered with ENOSYS so that the C library falls back to clone for threads.
Beside it: no_new_privs, an address space limit, a processor limit, and death with the parent.
"""

import ctypes
import errno
import os
import platform
import resource
import signal
import socket
import struct
from collections.abc import Callable
from dataclasses import dataclass

PR_SET_PDEATHSIG = 1
PR_SET_DUMPABLE = 4
PR_SET_NAME = 15
PR_SET_SECCOMP = 22
PR_SET_NO_NEW_PRIVS = 38
SECCOMP_MODE_FILTER = 2

CLONE_THREAD = 0x00010000
CLONE_NEWUSER = 0x10000000
CLONE_NEWNET = 0x40000000
AT_EMPTY_PATH = 0x1000
PROT_EXEC = 0x4

LOAD, EQUAL, AT_LEAST, ANY_BIT, RETURN = 0x20, 0x15, 0x35, 0x45, 0x06
ALLOW, ERRNO, KILL = 0x7FFF0000, 0x00050000, 0x80000000
X32_BIT = 0x40000000

# All that the child's environment may name: given by the runner, or added by a decoder.
ENVIRONMENT = {
    "PATH",
    "LANG",
    "LC_CTYPE",
    "PYTHONPATH",
    "OPENBLAS_NUM_THREADS",
    "MALLOC_ARENA_MAX",
    "MALLOC_MMAP_THRESHOLD_",
    "GLIBC_TUNABLES",
    "GDCM_RESOURCES_PATH",
    "LD_LIBRARY_PATH",  # by the picture library under the search for letters
}

# AUDIT_ARCH_* of linux/audit.h, and the column of CALLS.
ARCHITECTURES = {"x86_64": (0xC000003E, 0), "aarch64": (0xC00000B7, 1)}

# Call numbers on x86_64 (asm/unistd_64.h) and aarch64 (asm-generic/unistd.h).
CALLS: dict[str, tuple[int | None, int | None]] = {
    "read": (0, 63),
    "write": (1, 64),
    "readv": (19, 65),
    "writev": (20, 66),
    "pread64": (17, 67),
    "pwrite64": (18, 68),
    "lseek": (8, 62),
    "ftruncate": (77, 46),
    "fadvise64": (221, 223),
    "close": (3, 57),
    "fcntl": (72, 25),
    "fstat": (5, 80),
    "newfstatat": (262, 79),
    "mmap": (9, 222),
    "munmap": (11, 215),
    "mprotect": (10, 226),
    "mremap": (25, 216),
    "madvise": (28, 233),
    "brk": (12, 214),
    "futex": (202, 98),
    "set_robust_list": (273, 99),
    "rseq": (334, 293),
    "membarrier": (324, 283),
    "clone": (56, 220),
    "clone3": (435, 435),
    "exit": (60, 93),
    "exit_group": (231, 94),
    "rt_sigaction": (13, 134),
    "rt_sigprocmask": (14, 135),
    "rt_sigreturn": (15, 139),
    "sigaltstack": (131, 132),
    "restart_syscall": (219, 128),
    "tgkill": (234, 131),
    "getpid": (39, 172),
    "gettid": (186, 178),
    "getuid": (102, 174),
    "geteuid": (107, 175),
    "getgid": (104, 176),
    "getegid": (108, 177),
    "clock_gettime": (228, 113),
    "clock_getres": (229, 114),
    "clock_nanosleep": (230, 115),
    "nanosleep": (35, 101),
    "gettimeofday": (96, 169),
    "time": (201, None),
    "sched_yield": (24, 124),
    "sched_getaffinity": (204, 123),
    "getcpu": (309, 168),
    "getrandom": (318, 278),
    "uname": (63, 160),
    "sysinfo": (99, 179),
    "getrusage": (98, 165),
    "getrlimit": (97, 163),
    "prlimit64": (302, 261),
    "prctl": (157, 167),
    "poll": (7, None),
    "ppoll": (271, 73),
}


@dataclass(frozen=True)
class Budget:
    """What one job may use: bytes of address space beyond the warm parent's, seconds, bytes."""

    memory: int = 600 * 1024 * 1024
    cpu_seconds: int = 120
    wall_seconds: float = 180.0
    output: int = 1024 * 1024 * 1024


class NoWalls(Exception):
    """The kernel or the architecture refuses the filter."""


def raise_walls(budget: Budget) -> None:
    """Wall in the calling process, for good. Call with one thread. Raises NoWalls."""
    libc = ctypes.CDLL(None, use_errno=True)
    limit(budget)
    _prctl(libc, PR_SET_PDEATHSIG, signal.SIGKILL)
    _prctl(libc, PR_SET_DUMPABLE, 0)
    _prctl(libc, PR_SET_NO_NEW_PRIVS, 1)
    program = filter_program(platform.machine(), os.getpid())
    buffer = ctypes.create_string_buffer(program, len(program))
    # struct sock_fprog: a count, padding, a pointer.
    wrapped = struct.pack("HxxxxxxP", len(program) // 8, ctypes.addressof(buffer))
    _prctl(libc, PR_SET_SECCOMP, SECCOMP_MODE_FILTER, ctypes.create_string_buffer(wrapped))


def limit(budget: Budget) -> None:
    """Set the resource limits, which need nothing of the kernel's filter."""
    with open("/proc/self/statm") as statm:
        in_use = int(statm.read().split()[0]) * resource.getpagesize()
    for kind, value in (
        (resource.RLIMIT_AS, in_use + budget.memory),
        (resource.RLIMIT_CPU, budget.cpu_seconds),
        (resource.RLIMIT_FSIZE, budget.output),
        (resource.RLIMIT_CORE, 0),
        (resource.RLIMIT_NOFILE, 32),
    ):
        hard = resource.getrlimit(kind)[1]
        value = value if hard == resource.RLIM_INFINITY else min(value, hard)
        resource.setrlimit(kind, (value, value))


def leave_network() -> bool:
    """Move the calling process into a network of its own where that is permitted."""
    libc = ctypes.CDLL(None, use_errno=True)
    return any(libc.unshare(flags) == 0 for flags in (CLONE_NEWNET, CLONE_NEWUSER | CLONE_NEWNET))


def filter_program(machine: str, pid: int) -> bytes:
    """The filter as classic BPF. Raises NoWalls for an architecture it does not know."""
    if machine not in ARCHITECTURES:
        raise NoWalls(f"no list of calls for {machine}")
    audit, column = ARCHITECTURES[machine]
    refuse = ERRNO | errno.EPERM
    steps: list[tuple[int, int, int, int]] = [
        (LOAD, 0, 0, 4),
        (EQUAL, 1, 0, audit),
        (RETURN, 0, 0, KILL),
        (LOAD, 0, 0, 0),
        (AT_LEAST, 0, 1, X32_BIT),
        (RETURN, 0, 0, refuse),
    ]
    for name, numbers in CALLS.items():
        number = numbers[column]
        if number is None:
            continue
        block = _conditions(name, pid)
        steps.append((EQUAL, 0, len(block), number))
        steps.extend(block)
    steps.append((RETURN, 0, 0, refuse))
    return b"".join(struct.pack("HBBI", *step) for step in steps)


def _conditions(name: str, pid: int) -> list[tuple[int, int, int, int]]:
    refuse = (RETURN, 0, 0, ERRNO | errno.EPERM)
    allow = (RETURN, 0, 0, ALLOW)

    def low_word(argument: int) -> tuple[int, int, int, int]:
        return (LOAD, 0, 0, 16 + 8 * argument)

    match name:
        case "clone3":  # its flags lie in memory, where a filter cannot look
            return [(RETURN, 0, 0, ERRNO | errno.ENOSYS)]
        case "clone":
            return [low_word(0), (ANY_BIT, 0, 1, CLONE_THREAD), allow, refuse]
        case "mmap" | "mprotect":
            return [low_word(2), (ANY_BIT, 1, 0, PROT_EXEC), allow, refuse]
        case "newfstatat":  # how newer C libraries ask about an open file
            return [low_word(3), (ANY_BIT, 0, 1, AT_EMPTY_PATH), allow, refuse]
        case "tgkill":  # abort() signals its own process
            return [low_word(0), (EQUAL, 0, 1, pid), allow, refuse]
        case "prctl":
            return [low_word(0), (EQUAL, 0, 1, PR_SET_NAME), allow, refuse]
        case "prlimit64":  # reading one's own limits, setting none
            return [
                low_word(0), (EQUAL, 0, 5, 0),
                low_word(2), (EQUAL, 0, 3, 0),
                (LOAD, 0, 0, 16 + 8 * 2 + 4), (EQUAL, 0, 1, 0),
                allow, refuse,
            ]  # fmt: skip
        case _:
            return [allow]


def _prctl(libc: ctypes.CDLL, *arguments: object) -> None:
    padded = (*arguments, 0, 0, 0, 0)[:5]
    boxed = [ctypes.c_ulong(a) if isinstance(a, int) else a for a in padded]
    if libc.prctl(*boxed) != 0:
        raise NoWalls(os.strerror(ctypes.get_errno()))


def try_walls(secret: str, parent: int, budget: Budget) -> dict[str, bool]:
    """Try to break out, from inside. True where the wall stood.

    `secret` is the path of a file that exists and that this user may read; `parent` is a process
    of this user. Nothing is harmed where a wall is missing: what would be executed or made lies in
    a folder that does not exist (so the answer differs), and a new process ends at once.
    """

    def fork() -> None:
        if os.fork() == 0:
            os._exit(0)
        os.wait()

    def connect() -> None:
        with socket.socket() as out:
            out.connect(("127.0.0.1", 9))

    def allocate() -> None:
        # Zeroed memory is only reserved, which is what the limit counts. A little more than the
        # budget, since some of what the warm parent held may have been given back.
        bytearray(budget.memory + budget.memory // 4)

    libc = ctypes.CDLL(None, use_errno=True)

    def call(function: Callable[..., int], *arguments: int) -> None:
        if function(*arguments) == -1:
            raise OSError(ctypes.get_errno(), "refused")

    attempts: dict[str, Callable[[], object]] = {
        "network": connect,
        "local_sockets": socket.socketpair,
        "fork": fork,
        "execute": lambda: os.execv("/nowhere/at/all", ["at all"]),  # noqa: S606
        "open_files": lambda: os.open(secret, os.O_RDONLY),
        "make_files": lambda: os.open("/nowhere/at/all", os.O_CREAT | os.O_WRONLY, 0o600),
        "list_folders": lambda: os.listdir(os.path.dirname(secret)),
        "trace": lambda: call(libc.ptrace, 0, 0, 0, 0),
        "signal": lambda: os.kill(parent, 0),
        "namespaces": lambda: call(libc.unshare, CLONE_NEWUSER),
        "memory": allocate,
    }
    stood = {}
    for name, attempt in attempts.items():
        try:
            attempt()
        except (OSError, MemoryError) as refused:
            number = getattr(refused, "errno", errno.ENOMEM)
            stood[name] = number in (errno.EPERM, errno.EACCES, errno.ENOMEM)
        else:
            stood[name] = False
    stood["clean_environment"] = set(os.environ) <= ENVIRONMENT
    stood["processor"] = resource.getrlimit(resource.RLIMIT_CPU)[0] == budget.cpu_seconds
    return stood
