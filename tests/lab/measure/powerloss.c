/* Notes every change that a process makes to files under POWERLOSS_ROOT, in order, in POWERLOSS_LOG, and lets it happen.

   gcc -shared -fPIC -O1 -o powerloss.so powerloss.c -ldl -lpthread
   LD_PRELOAD=./powerloss.so POWERLOSS_ROOT=/dir POWERLOSS_LOG=/elsewhere/log command

   One record: op (1 byte), then four 8-byte numbers in the machine's order: inode, offset or size, length of the
   first text, length of the second; then both texts. Read by powerloss.py. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static int out = -2;
static char root[PATH_MAX];
#define REAL(name) ((typeof(&name))dlsym(RTLD_NEXT, #name))

static void all(const void *data, size_t length) {
    const char *at = data;
    while (length) {
        ssize_t done = syscall(SYS_write, out, at, length);
        if (done <= 0) abort();
        at += done; length -= (size_t)done;
    }
}

static int ready(void) {
    if (out == -2) {
        const char *where = getenv("POWERLOSS_LOG"), *below = getenv("POWERLOSS_ROOT");
        out = -1;
        if (where && below) {
            snprintf(root, sizeof root, "%s", below);
            out = (int)syscall(SYS_openat, AT_FDCWD, where, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
        }
    }
    return out >= 0;
}

static void note(char op, uint64_t inode, uint64_t number, const char *one, size_t one_length, const char *two, size_t two_length) {
    uint64_t head[4] = {inode, number, one_length, two_length};
    all(&op, 1); all(head, sizeof head);
    if (one_length) all(one, one_length);
    if (two_length) all(two, two_length);
}

static int under(const char *path) { size_t n = strlen(root); return !strncmp(path, root, n) && (path[n] == '/' || !path[n]); }

static int path_of(int fd, char *into) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, into, PATH_MAX - 1);
    if (n < 0) return 0;
    into[n] = 0;
    return under(into);
}

static int full(int dir, const char *path, char *into) {
    char base[PATH_MAX];
    if (!path) return 0;
    if (path[0] == '/') snprintf(into, PATH_MAX, "%s", path);
    else {
        if (dir == AT_FDCWD) { if (!getcwd(base, sizeof base)) return 0; }
        else { char link[64]; snprintf(link, sizeof link, "/proc/self/fd/%d", dir); ssize_t n = readlink(link, base, PATH_MAX - 1); if (n < 0) return 0; base[n] = 0; }
        if (strlen(base) + strlen(path) + 2 > PATH_MAX) return 0;
        strcpy(into, base); strcat(into, "/"); strcat(into, path);
    }
    return under(into);
}

#define TEXT(t) t, strlen(t)
#define NONE "", 0

static int opened(int dir, const char *path, int flags, mode_t mode) {
    char whole[PATH_MAX];
    struct stat before;
    if (!ready() || !(flags & (O_CREAT | O_TRUNC)) || !full(dir, path, whole)) return (int)syscall(SYS_openat, dir, path, flags, mode);
    pthread_mutex_lock(&lock);
    int was = !stat(whole, &before);
    int fd = (int)syscall(SYS_openat, dir, path, flags, mode), kept = errno;
    struct stat now;
    if (fd >= 0 && !fstat(fd, &now)) {
        if (!was) note('C', now.st_ino, 0, TEXT(whole), NONE);
        else if ((flags & O_TRUNC) && before.st_size) note('T', now.st_ino, 0, TEXT(whole), NONE);
    }
    pthread_mutex_unlock(&lock);
    errno = kept;
    return fd;
}

static mode_t mode_in(int flags, va_list list) { return (flags & (O_CREAT | O_TMPFILE)) ? va_arg(list, mode_t) : 0; }
int open(const char *p, int f, ...) { va_list l; va_start(l, f); mode_t m = mode_in(f, l); va_end(l); return opened(AT_FDCWD, p, f, m); }
int open64(const char *p, int f, ...) { va_list l; va_start(l, f); mode_t m = mode_in(f, l); va_end(l); return opened(AT_FDCWD, p, f | O_LARGEFILE, m); }
int openat(int d, const char *p, int f, ...) { va_list l; va_start(l, f); mode_t m = mode_in(f, l); va_end(l); return opened(d, p, f, m); }
int openat64(int d, const char *p, int f, ...) { va_list l; va_start(l, f); mode_t m = mode_in(f, l); va_end(l); return opened(d, p, f | O_LARGEFILE, m); }
int creat(const char *p, mode_t m) { return opened(AT_FDCWD, p, O_CREAT | O_WRONLY | O_TRUNC, m); }

static ssize_t wrote(int fd, const void *data, size_t length, off_t at, int given) {
    char path[PATH_MAX];
    struct stat now;
    if (!ready() || !path_of(fd, path) || fstat(fd, &now) || !S_ISREG(now.st_mode))
        return given ? syscall(SYS_pwrite64, fd, data, length, at) : syscall(SYS_write, fd, data, length);
    pthread_mutex_lock(&lock);
    fstat(fd, &now);
    off_t where = given ? at : (fcntl(fd, F_GETFL) & O_APPEND) ? now.st_size : lseek(fd, 0, SEEK_CUR);
    ssize_t done = given ? syscall(SYS_pwrite64, fd, data, length, at) : syscall(SYS_write, fd, data, length);
    int kept = errno;
    if (done > 0) note('W', now.st_ino, (uint64_t)where, TEXT(path), data, (size_t)done);
    pthread_mutex_unlock(&lock);
    errno = kept;
    return done;
}

ssize_t write(int fd, const void *d, size_t n) { return wrote(fd, d, n, 0, 0); }
ssize_t pwrite(int fd, const void *d, size_t n, off_t at) { return wrote(fd, d, n, at, 1); }
ssize_t pwrite64(int fd, const void *d, size_t n, off64_t at) { return wrote(fd, d, n, at, 1); }
ssize_t writev(int fd, const struct iovec *v, int n) { ssize_t sum = 0; for (int i = 0; i < n; i++) { ssize_t k = wrote(fd, v[i].iov_base, v[i].iov_len, 0, 0); if (k < 0) return sum ? sum : k; sum += k; if ((size_t)k < v[i].iov_len) break; } return sum; }

static int cut(int fd, off_t size) {
    char path[PATH_MAX];
    struct stat now;
    int here = ready() && path_of(fd, path) && !fstat(fd, &now);
    pthread_mutex_lock(&lock);
    int done = (int)syscall(SYS_ftruncate, fd, size), kept = errno;
    if (here && !done) note('T', now.st_ino, (uint64_t)size, TEXT(path), NONE);
    pthread_mutex_unlock(&lock);
    errno = kept;
    return done;
}
int ftruncate(int fd, off_t size) { return cut(fd, size); }
int ftruncate64(int fd, off64_t size) { return cut(fd, size); }

static int synced(int fd, long number) {
    char path[PATH_MAX];
    struct stat now;
    int here = ready() && path_of(fd, path) && !fstat(fd, &now);
    pthread_mutex_lock(&lock);
    int done = (int)syscall(number, fd), kept = errno;
    if (here && !done) note(S_ISDIR(now.st_mode) ? 'D' : 'S', now.st_ino, 0, TEXT(path), NONE);
    pthread_mutex_unlock(&lock);
    errno = kept;
    return done;
}
int fsync(int fd) { return synced(fd, SYS_fsync); }
int fdatasync(int fd) { return synced(fd, SYS_fdatasync); }

static int renamed(int d1, const char *one, int d2, const char *two) {
    char from[PATH_MAX], to[PATH_MAX];
    int here = ready() && full(d1, one, from) && full(d2, two, to);
    pthread_mutex_lock(&lock);
    int done = (int)syscall(SYS_renameat, d1, one, d2, two), kept = errno;
    if (here && !done) note('R', 0, 0, TEXT(from), TEXT(to));
    pthread_mutex_unlock(&lock);
    errno = kept;
    return done;
}
int rename(const char *one, const char *two) { return renamed(AT_FDCWD, one, AT_FDCWD, two); }
int renameat(int d1, const char *one, int d2, const char *two) { return renamed(d1, one, d2, two); }

static int removed(int dir, const char *path, int flags) {
    char whole[PATH_MAX];
    int here = ready() && full(dir, path, whole);
    pthread_mutex_lock(&lock);
    int done = (int)syscall(SYS_unlinkat, dir, path, flags), kept = errno;
    if (here && !done) note('U', 0, 0, TEXT(whole), NONE);
    pthread_mutex_unlock(&lock);
    errno = kept;
    return done;
}
int unlink(const char *path) { return removed(AT_FDCWD, path, 0); }
int unlinkat(int dir, const char *path, int flags) { return removed(dir, path, flags); }
int rmdir(const char *path) { return removed(AT_FDCWD, path, AT_REMOVEDIR); }

static int made(int dir, const char *path, mode_t mode) {
    char whole[PATH_MAX];
    int here = ready() && full(dir, path, whole);
    pthread_mutex_lock(&lock);
    int done = (int)syscall(SYS_mkdirat, dir, path, mode), kept = errno;
    if (here && !done) note('M', 0, 0, TEXT(whole), NONE);
    pthread_mutex_unlock(&lock);
    errno = kept;
    return done;
}
int mkdir(const char *path, mode_t mode) { return made(AT_FDCWD, path, mode); }
int mkdirat(int dir, const char *path, mode_t mode) { return made(dir, path, mode); }
