/* Calls to the disk that count, fail, kill or leave a line in a log: preloaded (LD_PRELOAD) into a run by tests/killed_run.py.

   Only calls that change something below one folder are looked at. Nothing happens until disk_faults_arm is called. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

enum { COUNT = 0, FAIL_ONCE = 1, FAIL_FROM = 2, KILL = 3 };

static char folder[PATH_MAX];
static atomic_long calls;
static long at;
static int deed, fault, half_first, log_to = -1;
static _Atomic int armed;

/* `deed` happens at the at-th call. `half_first`: a write of many bytes writes half of them first, as a disk does that gets full. */
void disk_faults_arm(const char *below, long at_call, int what, int number, int half, const char *log) {
    snprintf(folder, sizeof folder, "%s", below);
    at = at_call, deed = what, fault = number, half_first = half;
    atomic_store(&calls, 0);
    if (log && *log) log_to = syscall(SYS_openat, AT_FDCWD, log, O_WRONLY | O_CREAT | O_APPEND, 0600);
    atomic_store(&armed, 1);
}

long disk_faults_calls(void) { return atomic_load(&calls); }

static int is_below(const char *path) {
    size_t length = strlen(folder);
    return !strncmp(path, folder, length) && (path[length] == '/' || path[length] == 0);
}

static int of_fd(int fd, char *path) {
    char link[40];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = syscall(SYS_readlinkat, AT_FDCWD, link, path, PATH_MAX - 1);
    if (length < 0) return 0;
    path[length] = 0;
    return is_below(path);
}

static int of_name(int dir, const char *name, char *path) {
    char base[PATH_MAX] = "";
    if (name[0] != '/') {
        if (dir == AT_FDCWD) {
            if (syscall(SYS_getcwd, base, sizeof base) < 0) return 0;
        } else {
            of_fd(dir, base);
        }
    }
    snprintf(path, PATH_MAX, "%.2000s%s%.2000s", base, *base ? "/" : "", name);
    return is_below(path);
}

static void say(const char *call, const char *path, const char *other, long number) {
    char line[3 * PATH_MAX];
    if (log_to < 0) return;
    int length = snprintf(line, sizeof line, "%ld\t%s\t%s\t%s\n", number, call, path, other);
    syscall(SYS_write, log_to, line, (size_t)length);
}

/* 1 where this call is to fail (errno is set), 2 where it is to be cut short first. */
static int strikes(const char *call, const char *path, const char *other, size_t bytes) {
    if (fault == ENOSPC && !strcmp(call, "unlink")) return 0; /* that much works on a full disk */
    long number = atomic_fetch_add(&calls, 1) + 1;
    int due = deed == FAIL_FROM ? number >= at : number == at;
    if (deed == COUNT || !due) {
        if (deed == FAIL_ONCE && half_first && number == at + 1 && strstr(call, "write")) {
            errno = fault;
            return 1;
        }
        say(call, path, other, number);
        return 0;
    }
    if (deed == KILL) syscall(SYS_kill, getpid(), SIGKILL);
    if (deed == FAIL_ONCE && half_first && bytes > 1) {
        say(call, path, other, number);
        return 2;
    }
    errno = fault;
    return 1;
}

#define NEXT(type, name, ...)                       \
    static type (*next)(__VA_ARGS__);               \
    if (!next) next = (type(*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)

#define ON_FD(fd, call, bytes) \
    char path[PATH_MAX];       \
    int struck = atomic_load(&armed) && of_fd(fd, path) ? strikes(call, path, "", bytes) : 0

#define ON_NAME(dir, name, call) \
    char path[PATH_MAX];         \
    if (atomic_load(&armed) && of_name(dir, name, path) && strikes(call, path, "", 0)) return -1

#define ON_NAMES(dir, name, dir2, name2, call)                                            \
    char path[PATH_MAX], other[PATH_MAX];                                                 \
    if (atomic_load(&armed)) {                                                            \
        int first = of_name(dir, name, path), second = of_name(dir2, name2, other);       \
        if ((first || second) && strikes(call, path, other, 0)) return -1;                \
    }

ssize_t write(int fd, const void *bytes, size_t length) {
    NEXT(ssize_t, "write", int, const void *, size_t);
    ON_FD(fd, "write", length);
    return struck == 1 ? -1 : next(fd, bytes, struck ? length / 2 : length);
}

#define PWRITE(name)                                                                        \
    ssize_t name(int fd, const void *bytes, size_t length, off_t offset) {                  \
        NEXT(ssize_t, #name, int, const void *, size_t, off_t);                             \
        ON_FD(fd, #name, length);                                                           \
        return struck == 1 ? -1 : next(fd, bytes, struck ? length / 2 : length, offset);    \
    }
PWRITE(pwrite)
PWRITE(pwrite64)

ssize_t writev(int fd, const struct iovec *parts, int count) {
    NEXT(ssize_t, "writev", int, const struct iovec *, int);
    ON_FD(fd, "writev", count > 1 ? 2 : 0);
    return struck == 1 ? -1 : next(fd, parts, struck ? 1 : count);
}

#define PWRITEV(name)                                                           \
    ssize_t name(int fd, const struct iovec *parts, int count, off_t offset) {  \
        NEXT(ssize_t, #name, int, const struct iovec *, int, off_t);            \
        ON_FD(fd, #name, count > 1 ? 2 : 0);                                    \
        return struck == 1 ? -1 : next(fd, parts, struck ? 1 : count, offset);  \
    }
PWRITEV(pwritev)
PWRITEV(pwritev64)

#define SYNC(name)                     \
    int name(int fd) {                 \
        NEXT(int, #name, int);         \
        ON_FD(fd, #name, 0);           \
        return struck ? -1 : next(fd); \
    }
SYNC(fsync)
SYNC(fdatasync)

#define TRUNCATE(name)                         \
    int name(int fd, off_t length) {           \
        NEXT(int, #name, int, off_t);          \
        ON_FD(fd, #name, 0);                   \
        return struck ? -1 : next(fd, length); \
    }
TRUNCATE(ftruncate)
TRUNCATE(ftruncate64)

#define SEND(name)                                                                 \
    ssize_t name(int to, int from, off_t *offset, size_t length) {                 \
        NEXT(ssize_t, #name, int, int, off_t *, size_t);                           \
        ON_FD(to, #name, length);                                                  \
        return struck == 1 ? -1 : next(to, from, offset, struck ? length / 2 : length); \
    }
SEND(sendfile)
SEND(sendfile64)

ssize_t copy_file_range(int from, off_t *offset, int to, off_t *to_offset, size_t length, unsigned flags) {
    NEXT(ssize_t, "copy_file_range", int, off_t *, int, off_t *, size_t, unsigned);
    ON_FD(to, "copy_file_range", length);
    return struck == 1 ? -1 : next(from, offset, to, to_offset, struck ? length / 2 : length, flags);
}

int rename(const char *name, const char *name2) {
    NEXT(int, "rename", const char *, const char *);
    ON_NAMES(AT_FDCWD, name, AT_FDCWD, name2, "rename");
    return next(name, name2);
}

int renameat(int dir, const char *name, int dir2, const char *name2) {
    NEXT(int, "renameat", int, const char *, int, const char *);
    ON_NAMES(dir, name, dir2, name2, "rename");
    return next(dir, name, dir2, name2);
}

int link(const char *name, const char *name2) {
    NEXT(int, "link", const char *, const char *);
    ON_NAMES(AT_FDCWD, name, AT_FDCWD, name2, "link");
    return next(name, name2);
}

int linkat(int dir, const char *name, int dir2, const char *name2, int flags) {
    NEXT(int, "linkat", int, const char *, int, const char *, int);
    ON_NAMES(dir, name, dir2, name2, "link");
    return next(dir, name, dir2, name2, flags);
}

int symlink(const char *target, const char *name) {
    NEXT(int, "symlink", const char *, const char *);
    ON_NAME(AT_FDCWD, name, "symlink");
    return next(target, name);
}

int symlinkat(const char *target, int dir, const char *name) {
    NEXT(int, "symlinkat", const char *, int, const char *);
    ON_NAME(dir, name, "symlink");
    return next(target, dir, name);
}

int mkdir(const char *name, mode_t mode) {
    NEXT(int, "mkdir", const char *, mode_t);
    ON_NAME(AT_FDCWD, name, "mkdir");
    return next(name, mode);
}

int mkdirat(int dir, const char *name, mode_t mode) {
    NEXT(int, "mkdirat", int, const char *, mode_t);
    ON_NAME(dir, name, "mkdir");
    return next(dir, name, mode);
}

int unlink(const char *name) {
    NEXT(int, "unlink", const char *);
    ON_NAME(AT_FDCWD, name, "unlink");
    return next(name);
}

int unlinkat(int dir, const char *name, int flags) {
    NEXT(int, "unlinkat", int, const char *, int);
    ON_NAME(dir, name, "unlink");
    return next(dir, name, flags);
}

int rmdir(const char *name) {
    NEXT(int, "rmdir", const char *);
    ON_NAME(AT_FDCWD, name, "unlink");
    return next(name);
}

/* An open that makes a file or empties one; any other changes nothing. */
static int opens(int dir, const char *name, int flags) {
    char path[PATH_MAX];
    if (!(flags & (O_CREAT | O_TRUNC)) || !atomic_load(&armed) || !of_name(dir, name, path)) return 0;
    int is_new = syscall(SYS_faccessat, AT_FDCWD, path, F_OK) < 0;
    if (!is_new && !(flags & O_TRUNC)) return 0;
    return strikes(is_new ? "create" : "truncate", path, "", 0);
}

#define MODE_OF(flags)                        \
    mode_t mode = 0;                          \
    if ((flags & O_CREAT) || (flags & O_TMPFILE) == O_TMPFILE) { \
        va_list more;                         \
        va_start(more, flags);                \
        mode = va_arg(more, mode_t);          \
        va_end(more);                         \
    }

#define OPEN(name)                                           \
    int name(const char *file, int flags, ...) {             \
        NEXT(int, #name, const char *, int, ...);            \
        MODE_OF(flags);                                      \
        if (opens(AT_FDCWD, file, flags)) return -1;         \
        return next(file, flags, mode);                      \
    }
OPEN(open)
OPEN(open64)

#define OPENAT(name)                                         \
    int name(int dir, const char *file, int flags, ...) {    \
        NEXT(int, #name, int, const char *, int, ...);       \
        MODE_OF(flags);                                      \
        if (opens(dir, file, flags)) return -1;              \
        return next(dir, file, flags, mode);                 \
    }
OPENAT(openat)
OPENAT(openat64)
