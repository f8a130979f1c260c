/* Faults between a recorder and its disk; loaded with LD_PRELOAD, compiled by the tests.
 *
 * Comes in: a plan, from the variable FAULT_PLAN or from fault_plan(), as key=value pairs
 * with ';' between them. Goes out: the calls of the program on files under one folder, each
 * numbered from 1, made to die, fail, fall short or wait; and a log of them with their data.
 * Must not: touch any other file, or log through the functions that it replaces.
 *
 *   under=DIR          only files below DIR count
 *   only=TEXT          faults hit only paths that end with TEXT (the log has all)
 *   log=FILE           append each call and its data; what is written to descriptor 1 too
 *   place=FILE         where it died: "NUMBER KIND PATH"
 *   kill_at=N          SIGKILL at call N, before it; with torn=1 after half of a write
 *   fail=KIND          of: write sync truncate unlink link rename; beginning with the n-th
 *   from=N count=M     such call (default the first), so many times (default for ever)
 *   errno=E            that number; errno=0 writes half and says so (a short write), if more
 *                      than 512 bytes are asked for: what is left is written in the end
 *   wait_ms=T          instead of failing wait so long, then do it
 *   room=BYTES         writes that make files longer by more than this in all: ENOSPC
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

enum { PATH_SIZE = 4096, SHORT_OVER = 512 };

static struct {
    char under[PATH_SIZE], only[256], place[PATH_SIZE], fail[16];
    int log, torn, error;
    long kill_at, from, count, wait_ms, room;
    long calls, matches, grown;
} plan;
static pthread_mutex_t guard = PTHREAD_MUTEX_INITIALIZER;

#define REAL(name) ((__typeof__(&name))real(#name))

static void *real(const char *name)
{
    void *found = dlsym(RTLD_NEXT, name);
    if (!found) abort();
    return found;
}

static void value_of(const char *text, const char *key, char *out, size_t size)
{
    size_t n = strlen(key);
    out[0] = 0;
    for (const char *at = text; at && *at; at = strchr(at, ';') ? strchr(at, ';') + 1 : NULL) {
        if (strncmp(at, key, n) || at[n] != '=') continue;
        size_t end = strcspn(at + n + 1, ";");
        if (end >= size) abort();
        memcpy(out, at + n + 1, end);
        out[end] = 0;
    }
}

static long number_of(const char *text, const char *key, long otherwise)
{
    char value[32];
    value_of(text, key, value, sizeof value);
    return value[0] ? atol(value) : otherwise;
}

void fault_plan(const char *text)
{
    char log[PATH_SIZE];
    value_of(text, "under", plan.under, sizeof plan.under);
    value_of(text, "only", plan.only, sizeof plan.only);
    value_of(text, "place", plan.place, sizeof plan.place);
    value_of(text, "fail", plan.fail, sizeof plan.fail);
    value_of(text, "log", log, sizeof log);
    plan.log = log[0] ? (int)syscall(SYS_openat, AT_FDCWD, log, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0666) : -1;
    plan.torn = (int)number_of(text, "torn", 0);
    plan.error = (int)number_of(text, "errno", 0);
    plan.kill_at = number_of(text, "kill_at", 0);
    plan.from = number_of(text, "from", 1);
    plan.count = number_of(text, "count", 1L << 40);
    plan.wait_ms = number_of(text, "wait_ms", 0);
    plan.room = number_of(text, "room", -1);
    plan.calls = plan.matches = plan.grown = 0;
}

__attribute__((constructor)) static void begin(void)
{
    const char *text = getenv("FAULT_PLAN");
    fault_plan(text ? text : "");
}

static int below(const char *path)
{
    size_t n = strlen(plan.under);
    return n && !strncmp(path, plan.under, n);
}

static int ends_with(const char *path, const char *end)
{
    size_t n = strlen(path), m = strlen(end);
    return n >= m && !strcmp(path + n - m, end);
}

static int path_of(int fd, char *path)
{
    char name[64];
    snprintf(name, sizeof name, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(name, path, PATH_SIZE - 1);
    path[n > 0 ? n : 0] = 0;
    return below(path);
}

/* One call in the log: kind, result of the call, offset, path, data. */
static void note(char kind, const char *path, int64_t offset, const void *data, size_t n)
{
    int kept = errno;
    if (plan.log < 0) return;
    struct __attribute__((packed)) { char kind; uint16_t path; uint32_t data; int64_t offset; } head;
    head.kind = kind;
    head.path = (uint16_t)strlen(path);
    head.data = (uint32_t)n;
    head.offset = offset;
    struct iovec parts[3] = {{&head, sizeof head}, {(void *)path, head.path}, {(void *)data, n}};
    if (syscall(SYS_writev, plan.log, parts, 3) < 0) abort();
    errno = kept;
}

static void die(long number, const char *kind, const char *path)
{
    char text[PATH_SIZE + 64];
    int n = snprintf(text, sizeof text, "%ld %s %s\n", number, kind, path);
    int fd = (int)syscall(SYS_openat, AT_FDCWD, plan.place, O_WRONLY | O_CREAT | O_TRUNC, 0666);
    if (fd < 0 || syscall(SYS_write, fd, text, n) != n) abort();
    kill(getpid(), SIGKILL);
    for (;;) pause();
}

/* Number the call; 0 go on, -1 fail with errno, 1 do half. Waits without the guard. */
static int verdict(const char *kind, const char *path, int *torn)
{
    pthread_mutex_lock(&guard);
    long number = ++plan.calls, wait_ms = 0;
    int answer = 0, mine = 0;
    *torn = 0;
    if (plan.kill_at == number) {
        if (!plan.torn) die(number, kind, path);
        *torn = 1;
    }
    if (!strcmp(kind, plan.fail) && ends_with(path, plan.only)) {
        long match = ++plan.matches;
        mine = match >= plan.from && match < plan.from + plan.count;
    }
    if (mine && plan.wait_ms) wait_ms = plan.wait_ms;
    else if (mine && plan.error) { errno = plan.error; answer = -1; }
    else if (mine) answer = 1;
    pthread_mutex_unlock(&guard);
    if (wait_ms) {
        struct timespec t = {wait_ms / 1000, wait_ms % 1000 * 1000000L};
        nanosleep(&t, NULL);
    }
    return answer;
}

static int no_room(int fd, int64_t end)
{
    struct stat now;
    if (plan.room < 0 || fstat(fd, &now) || end <= now.st_size) return 0;
    if (plan.grown + (end - now.st_size) > plan.room) { errno = ENOSPC; return 1; }
    plan.grown += end - now.st_size;
    return 0;
}

static ssize_t write_at(int fd, const void *data, size_t n, int64_t offset, int positioned)
{
    char path[PATH_SIZE];
    int torn, answer;
    if (!path_of(fd, path)) {
        if (fd == 1) note('A', "", 0, data, n);
        return positioned ? syscall(SYS_pwrite64, fd, data, n, offset) : syscall(SYS_write, fd, data, n);
    }
    if (!positioned) offset = lseek(fd, 0, SEEK_CUR);
    answer = verdict("write", path, &torn);
    if (answer < 0 || no_room(fd, offset + (int64_t)n)) {
        note('F', path, errno, "write", 5);
        return -1;
    }
    size_t some = torn || (answer == 1 && n > SHORT_OVER) ? n / 2 : n;
    ssize_t done = positioned ? syscall(SYS_pwrite64, fd, data, some, offset) : syscall(SYS_write, fd, data, some);
    if (torn) die(plan.calls, "write", path);
    if (done >= 0) note('W', path, offset, data, (size_t)done);
    else note('E', path, errno, "write", 5);
    return done;
}

ssize_t write(int fd, const void *data, size_t n) { return write_at(fd, data, n, 0, 0); }
ssize_t pwrite(int fd, const void *data, size_t n, off_t at) { return write_at(fd, data, n, at, 1); }
ssize_t pwrite64(int fd, const void *data, size_t n, off64_t at) { return write_at(fd, data, n, at, 1); }

static int sync_file(int fd, int (*really)(int))
{
    char path[PATH_SIZE];
    int torn;
    if (!path_of(fd, path)) return really(fd);
    if (verdict("sync", path, &torn)) {
        note('F', path, errno, "sync", 4);
        return -1;
    }
    if (torn) die(plan.calls, "sync", path);
    int done = really(fd);
    if (!done) note('S', path, 0, "", 0);
    else note('E', path, errno, "sync", 4);
    return done;
}

int fsync(int fd) { return sync_file(fd, REAL(fsync)); }
int fdatasync(int fd) { return sync_file(fd, REAL(fdatasync)); }

static int cut_file(int fd, int64_t size)
{
    char path[PATH_SIZE];
    int torn;
    if (!path_of(fd, path)) return (int)syscall(SYS_ftruncate, fd, size);
    if (verdict("truncate", path, &torn)) {
        note('F', path, errno, "truncate", 8);
        return -1;
    }
    if (torn) die(plan.calls, "truncate", path);
    int done = (int)syscall(SYS_ftruncate, fd, size);
    if (!done) note('T', path, size, "", 0);
    else note('E', path, errno, "truncate", 8);
    return done;
}

int ftruncate(int fd, off_t size) { return cut_file(fd, size); }
int ftruncate64(int fd, off64_t size) { return cut_file(fd, size); }

/* A name in a folder: made, removed, linked, renamed. */
static int name_call(const char *kind, char letter, const char *from, const char *to, int (*really)(const char *, const char *))
{
    char full[PATH_SIZE], other[PATH_SIZE] = "";
    int torn;
    if (from[0] == '/') snprintf(full, sizeof full, "%s", from);
    else {
        char here[PATH_SIZE / 2];
        snprintf(full, sizeof full, "%s/%.2000s", getcwd(here, sizeof here) ? here : "", from);
    }
    if (to) snprintf(other, sizeof other, "%s", to);
    if (!below(full)) return really(from, to);
    if (verdict(kind, full, &torn)) {
        note('F', full, errno, kind, strlen(kind));
        return -1;
    }
    if (torn) die(plan.calls, kind, full);
    int done = really(from, to);
    if (!done) note(letter, full, 0, other, strlen(other));
    else note('E', full, errno, kind, strlen(kind));
    return done;
}

static int really_unlink(const char *path, const char *none) { (void)none; return (int)syscall(SYS_unlinkat, AT_FDCWD, path, 0); }
static int really_link(const char *from, const char *to) { return (int)syscall(SYS_linkat, AT_FDCWD, from, AT_FDCWD, to, 0); }
static int really_rename(const char *from, const char *to) { return (int)syscall(SYS_renameat, AT_FDCWD, from, AT_FDCWD, to); }

int unlink(const char *path) { return name_call("unlink", 'U', path, NULL, really_unlink); }
int link(const char *from, const char *to) { return name_call("link", 'L', from, to, really_link); }
int rename(const char *from, const char *to) { return name_call("rename", 'R', from, to, really_rename); }
int linkat(int a, const char *from, int b, const char *to, int flags)
{
    if (a == AT_FDCWD && b == AT_FDCWD) return link(from, to);
    return (int)syscall(SYS_linkat, a, from, b, to, flags);
}

static int open_file(int folder, const char *path, int flags, mode_t mode)
{
    char full[PATH_SIZE];
    struct stat now;
    int is_new = (flags & O_CREAT) && below(path) && stat(path, &now);
    int empties = (flags & O_TRUNC) && below(path) && !is_new;
    int fd = (int)syscall(SYS_openat, folder, path, flags | O_LARGEFILE, mode);
    if (fd < 0) return fd;
    if (is_new && path_of(fd, full)) note('C', full, 0, "", 0);
    if (empties && path_of(fd, full)) note('O', full, 0, "", 0);
    return fd;
}

#define OPEN(name)                                          \
    int name(const char *path, int flags, ...)              \
    {                                                       \
        va_list more;                                       \
        va_start(more, flags);                              \
        mode_t mode = va_arg(more, mode_t);                 \
        va_end(more);                                       \
        return open_file(AT_FDCWD, path, flags, mode);      \
    }
OPEN(open)
OPEN(open64)
