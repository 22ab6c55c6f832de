/* A disk that loses what was not synced, fills up, is slow or cannot be written, for the files below one folder.
 *
 * Loaded into the program by LD_PRELOAD. DISK_FOLDER is the folder. What is synced there is copied to DISK_SHADOW, which
 * so holds what a power cut would leave. While the file DISK_FAULTS/<fault> exists, the disk has that fault:
 * full (nothing can be written), readonly (nothing can be opened for writing), slow (each sync takes three seconds).
 */
#define _GNU_SOURCE
#include <dirent.h>
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define REAL(name) __typeof__(name) *real = (__typeof__(name) *)dlsym(RTLD_NEXT, #name)

static int has(const char *fault) {
    const char *faults = getenv("DISK_FAULTS");
    char path[PATH_MAX];
    if (!faults) return 0;
    snprintf(path, sizeof path, "%s/%s", faults, fault);
    int before = errno, found = access(path, F_OK) == 0;
    errno = before;
    return found;
}

static int is_below(const char *path) {
    const char *folder = getenv("DISK_FOLDER");
    return folder && path && strncmp(path, folder, strlen(folder)) == 0;
}

/* The path of an open file below the folder; none for others. */
static const char *path_of(int fd, char *path) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, PATH_MAX - 1);
    if (length < 0) return NULL;
    path[length] = 0;
    return is_below(path) ? path : NULL;
}

static int refuses(int fd) {
    char path[PATH_MAX];
    if (!path_of(fd, path)) return 0;
    if (has("full")) { errno = ENOSPC; return 1; }
    if (has("readonly")) { errno = EROFS; return 1; }
    return 0;
}

/* Copies a synced file into the shadow, whole or not at all. */
static void shadow(int fd) {
    const char *into = getenv("DISK_SHADOW");
    char path[PATH_MAX], draft[PATH_MAX], copy[PATH_MAX], buffer[1 << 16];
    if (!into || !path_of(fd, path)) return;
    const char *name = strrchr(path, '/');
    if (!name) return;
    int from = open(path, O_RDONLY | O_CLOEXEC);
    snprintf(draft, sizeof draft, "%s%s.draft", into, name);
    snprintf(copy, sizeof copy, "%s%s", into, name);
    int to = open(draft, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    ssize_t got = 0;
    while (from >= 0 && to >= 0 && (got = read(from, buffer, sizeof buffer)) > 0)
        if (write(to, buffer, (size_t)got) != got) { got = -1; break; }
    if (from >= 0) close(from);
    if (to >= 0) close(to);
    if (got == 0) rename(draft, copy);
}

/* A synced folder no longer has what was deleted from it. */
static void forget_deleted(void) {
    const char *from = getenv("DISK_FOLDER"), *into = getenv("DISK_SHADOW");
    DIR *files = into ? opendir(into) : NULL;
    char path[PATH_MAX], copy[PATH_MAX];
    for (struct dirent *file; files && (file = readdir(files));) {
        if (file->d_name[0] == '.') continue;
        snprintf(path, sizeof path, "%s%s", from, file->d_name);
        snprintf(copy, sizeof copy, "%s/%s", into, file->d_name);
        if (access(path, F_OK) != 0) unlink(copy);
    }
    if (files) closedir(files);
}

static int is_folder(int fd) {
    const char *folder = getenv("DISK_FOLDER");
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, PATH_MAX - 1);
    return folder && length > 0 && (size_t)length + 1 == strlen(folder) && strncmp(path, folder, (size_t)length) == 0;
}

static int sync_it(int fd) {
    char path[PATH_MAX];
    if (is_folder(fd)) forget_deleted();
    if (path_of(fd, path)) {
        if (has("slow")) {
            struct timespec three = {3, 0};
            nanosleep(&three, NULL);
        }
        shadow(fd);
    }
    /* The shadow is the disk here: the real one need not be waited for. */
    return 0;
}

int fsync(int fd) { return sync_it(fd); }
int fdatasync(int fd) { return sync_it(fd); }

ssize_t write(int fd, const void *bytes, size_t count) {
    REAL(write);
    return refuses(fd) ? -1 : real(fd, bytes, count);
}
ssize_t pwrite(int fd, const void *bytes, size_t count, off_t at) {
    REAL(pwrite);
    return refuses(fd) ? -1 : real(fd, bytes, count, at);
}
ssize_t pwrite64(int fd, const void *bytes, size_t count, off64_t at) {
    REAL(pwrite64);
    return refuses(fd) ? -1 : real(fd, bytes, count, at);
}
int ftruncate(int fd, off_t length) {
    REAL(ftruncate);
    return refuses(fd) ? -1 : real(fd, length);
}
int ftruncate64(int fd, off64_t length) {
    REAL(ftruncate64);
    return refuses(fd) ? -1 : real(fd, length);
}

static int may_open(const char *path, int flags) {
    int writes = (flags & O_ACCMODE) != O_RDONLY || (flags & O_CREAT);
    if (writes && is_below(path) && has("readonly")) { errno = EROFS; return 0; }
    return 1;
}

#define MODE(flags, mode) mode_t mode = 0; \
    if ((flags) & (O_CREAT | O_TMPFILE)) { va_list rest; va_start(rest, flags); mode = va_arg(rest, mode_t); va_end(rest); }

int open(const char *path, int flags, ...) {
    REAL(open);
    MODE(flags, mode)
    return may_open(path, flags) ? real(path, flags, mode) : -1;
}
int open64(const char *path, int flags, ...) {
    REAL(open64);
    MODE(flags, mode)
    return may_open(path, flags) ? real(path, flags, mode) : -1;
}
