/* Writes down what a process writes below a folder, and what it makes durable.
 *
 * Loaded before the C library (LD_PRELOAD). POWER_FOLDER is the folder, POWER_LOG the
 * file it is written to. A record is what was done (a letter), to which file, where,
 * and the bytes; see disk.py, which reads it.
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <unistd.h>

#define MOST 1024

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static char *paths[MOST]; /* of the open files below the folder */
static int out = -1;

static const char *below(const char *path) {
  const char *folder = getenv("POWER_FOLDER");
  size_t length = folder ? strlen(folder) : 0;
  if (!length || strncmp(path, folder, length)) return NULL;
  if (path[length] == '\0') return "";
  return path[length] == '/' ? path + length + 1 : NULL;
}

static void put(const void *data, uint64_t length) {
  const char *from = data;
  while (length) {
    long done = syscall(SYS_write, out, from, length);
    if (done <= 0) abort();
    from += done;
    length -= done;
  }
}

static void note(char what, const char *path, int64_t at, const void *data,
                 uint64_t length) {
  if (out < 0)
    out = syscall(SYS_openat, AT_FDCWD, getenv("POWER_LOG"),
                  O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
  uint64_t named = strlen(path);
  put(&what, 1);
  put(&named, sizeof named);
  put(&at, sizeof at);
  put(&length, sizeof length);
  put(path, named);
  put(data, length);
}

static const char *path_of(int fd) {
  return fd >= 0 && fd < MOST ? paths[fd] : NULL;
}

static int opened(const char *path, int flags, mode_t mode) {
  const char *name = below(path);
  if (!name) return syscall(SYS_openat, AT_FDCWD, path, flags, mode);
  pthread_mutex_lock(&lock);
  int is_new = (flags & O_CREAT) && syscall(SYS_faccessat, AT_FDCWD, path, F_OK);
  int fd = syscall(SYS_openat, AT_FDCWD, path, flags, mode);
  if (fd >= MOST || (flags & O_TRUNC)) abort(); /* not foreseen here */
  if (fd >= 0) {
    paths[fd] = strdup(name);
    if (is_new) note('c', name, 0, "", 0);
  }
  pthread_mutex_unlock(&lock);
  return fd;
}

#define OPEN(name)                                                             \
  int name(const char *path, int flags, ...) {                                 \
    va_list more;                                                              \
    va_start(more, flags);                                                     \
    mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(more, mode_t) : 0;    \
    va_end(more);                                                              \
    return opened(path, flags, mode);                                          \
  }
OPEN(open)
OPEN(open64)

int close(int fd) {
  pthread_mutex_lock(&lock);
  if (path_of(fd)) {
    free(paths[fd]);
    paths[fd] = NULL;
  }
  int result = syscall(SYS_close, fd);
  pthread_mutex_unlock(&lock);
  return result;
}

static ssize_t written(int fd, const void *data, size_t length, int64_t at) {
  const char *path = path_of(fd);
  if (!path)
    return at < 0 ? syscall(SYS_write, fd, data, length)
                  : syscall(SYS_pwrite64, fd, data, length, at);
  pthread_mutex_lock(&lock);
  ssize_t done;
  if (at < 0) {
    int is_added = syscall(SYS_fcntl, fd, F_GETFL) & O_APPEND;
    at = syscall(SYS_lseek, fd, 0, is_added ? SEEK_END : SEEK_CUR);
    done = syscall(SYS_write, fd, data, length);
  } else {
    done = syscall(SYS_pwrite64, fd, data, length, at);
  }
  if (done > 0) note('w', path, at, data, done);
  pthread_mutex_unlock(&lock);
  return done;
}

ssize_t write(int fd, const void *data, size_t length) {
  return written(fd, data, length, -1);
}
ssize_t pwrite(int fd, const void *data, size_t length, off_t at) {
  return written(fd, data, length, at);
}
ssize_t pwrite64(int fd, const void *data, size_t length, off64_t at) {
  return written(fd, data, length, at);
}

static int synced(long how, int fd) {
  const char *path = path_of(fd);
  pthread_mutex_lock(&lock); /* nothing is written while it is made durable */
  int result = syscall(how, fd);
  if (path && !result) note('s', path, 0, "", 0);
  pthread_mutex_unlock(&lock);
  return result;
}

int fsync(int fd) { return synced(SYS_fsync, fd); }
int fdatasync(int fd) { return synced(SYS_fdatasync, fd); }

static int cut(int fd, int64_t length) {
  const char *path = path_of(fd);
  pthread_mutex_lock(&lock);
  int result = syscall(SYS_ftruncate, fd, length);
  if (path && !result) note('t', path, length, "", 0);
  pthread_mutex_unlock(&lock);
  return result;
}

int ftruncate(int fd, off_t length) { return cut(fd, length); }
int ftruncate64(int fd, off64_t length) { return cut(fd, length); }

int unlink(const char *path) {
  const char *name = below(path);
  pthread_mutex_lock(&lock);
  int result = syscall(SYS_unlinkat, AT_FDCWD, path, 0);
  if (name && !result) note('u', name, 0, "", 0);
  pthread_mutex_unlock(&lock);
  return result;
}
