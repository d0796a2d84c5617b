"""What only one system has is used nowhere but behind a question whether it is there."""

import ast
import textwrap

import pytest
from parsed_code import nodes_with_place, parsed

# Modules of the standard library that some systems lack.
OWN_MODULES = {"fcntl", "resource", "termios", "pwd", "grp", "posix", "syslog", "tty", "pty"}
OWN_MODULES |= {"msvcrt", "winreg", "nt", "_winapi", "winsound"}
# What Python's documentation says is not available on Windows, or only there.
OWN_NAMES = {
    "os": (
        "chown chroot ctermid fchmod fchown fork forkpty getegid geteuid getgid getgroups getloadavg getpgid "
        "getpgrp getpriority getresuid getsid getuid initgroups killpg lchown lockf major minor mkfifo mknod nice "
        "openpty pathconf pidfd_open pipe2 posix_fadvise posix_fallocate posix_spawn pread preadv pwrite pwritev "
        "register_at_fork sched_getaffinity sched_setaffinity sendfile setegid seteuid setgid setgroups setpgid "
        "setpriority setsid setuid setxattr getxattr startfile statvfs sync sysconf tcgetpgrp ttyname uname wait "
        "wait3 wait4 waitid O_NOFOLLOW O_NONBLOCK O_DIRECTORY O_CLOEXEC O_SYNC O_DSYNC O_TMPFILE O_BINARY"
    ),
    "signal": "SIGKILL SIGHUP SIGALRM SIGUSR1 SIGUSR2 SIGXCPU SIGPIPE SIGCHLD setitimer alarm pause pthread_kill",
    "time": "tzset clock_settime pthread_getcpuclockid",
    "socket": "AF_UNIX socketpair",
}
# Onto a file that is there, this fails on Windows; `os.replace` does not. And there `os.kill` ends the process
# whatever the signal.
OWN_NAMES["os"] += " rename kill"
FOLDERS = ("/tmp", "/dev", "/proc", "/sys/", "/etc", "/usr", "/var", "/home", "C:\\")
# How code asks for the system that it runs on.
QUESTIONS = ("hasattr(os", "hasattr(signal", "os.name", "sys.platform", "except ImportError", "resource is None")


def modules(repository):
    return sorted((repository / "sitefinder").rglob("*.py"))


def asks(place):
    """Whether a function or statement asks for the system that it runs on."""
    text = ast.unparse(place)
    return any(question in text for question in QUESTIONS)


def uses(tree):
    """Line and name of each use of what one system lacks, without a question in the same function."""
    for node, place in nodes_with_place(tree):
        name = None
        if isinstance(node, ast.Import) and OWN_MODULES & {each.name for each in node.names}:
            name = node.names[0].name
        elif isinstance(node, ast.ImportFrom) and node.module in (*OWN_MODULES, *OWN_NAMES):
            own = OWN_NAMES.get(node.module, "").split()
            name = next((each.name for each in node.names if each.name in own or node.module in OWN_MODULES), None)
        elif (
            isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and node.attr in OWN_NAMES.get(node.value.id, "").split()
        ):
            name = f"{node.value.id}.{node.attr}"
        if name and not asks(place):
            yield node.lineno, name


def named_folders(tree):
    """Line and text of each path of one system, without a question in the same function or statement."""
    documents = {
        id(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    for node, place in nodes_with_place(tree):
        is_text = isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in documents
        if is_text and node.value.startswith(FOLDERS) and not asks(place):
            yield node.lineno, node.value


def locale_reads(tree):
    """Line of each text that is read or written in the encoding of the user's locale."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or any(each.arg == "encoding" for each in node.keywords):
            continue
        called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        given = [each.value for each in node.args if isinstance(each, ast.Constant)]
        given += [
            each.value.value
            for each in node.keywords
            if each.arg == "mode" and isinstance(each.value, ast.Constant)
        ]
        is_builtin = isinstance(node.func, ast.Name)
        is_text = called in ("read_text", "write_text") and not any("utf" in str(value) for value in given)
        is_text |= called == "open" and is_builtin and not any("b" in str(value) for value in given[-1:])
        if is_text:
            yield node.lineno


def test_what_one_system_lacks_is_used_behind_a_question_alone(repository):
    found = [
        f"{path.relative_to(repository)}:{line}: {name}"
        for path in modules(repository)
        for line, name in uses(parsed(path))
    ]

    assert found == []


def test_no_path_of_one_system_is_named(repository):
    found = [
        f"{path.relative_to(repository)}:{line}: {text}"
        for path in modules(repository)
        for line, text in named_folders(parsed(path))
    ]

    assert found == []


def test_no_text_depends_on_the_users_locale(repository):
    found = [
        f"{path.relative_to(repository)}:{line}"
        for path in modules(repository)
        for line in locale_reads(parsed(path))
    ]

    assert found == []


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("import fcntl", ["fcntl"]),
        ("try:\n    import resource\nexcept ImportError:\n    resource = None", []),
        ("from signal import SIGKILL, SIGINT", ["SIGKILL"]),
        ("def owner():\n    return os.getuid()", ["os.getuid"]),
        ("def owner():\n    return os.getuid() if hasattr(os, 'getuid') else 0", []),
        ("def owner():\n    if os.name == 'nt':\n        return 0\n    return os.getuid()", []),
        # The question of one function is none of another.
        ("def first():\n    return os.name\n\n\ndef second():\n    os.fork()", ["os.fork"]),
        ("os.rename(old, new)", ["os.rename"]),
        ("os.replace(old, new)", []),
    ],
)
def test_uses_are_found_where_nothing_asks(source, found):
    assert [name for _, name in uses(ast.parse(source))] == found


def test_paths_and_locales_are_found_too():
    source = '''
        """Not /dev itself."""
        folder = "/dev/scratch"
        one = path.read_text()
        two = path.read_text(encoding="utf-8")
        three = open(path)
        four = open(path, "rb")
        five = tarfile.open(path)
    '''
    tree = ast.parse(textwrap.dedent(source))

    assert [text for _, text in named_folders(tree)] == ["/dev/scratch"]
    assert list(locale_reads(tree)) == [4, 6]
