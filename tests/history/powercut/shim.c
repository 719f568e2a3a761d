/* Records every change that a process makes to the files of one folder, in order, in a journal.
 *
 * Preloaded into the process (LD_PRELOAD). CLEARWELL_CUT_FOLDER is the folder, without a slash at its end,
 * and CLEARWELL_CUT_JOURNAL the journal, outside the folder. Only files directly in the folder count. A sync
 * is recorded and not done: the machine that the journal is replayed on exists only in the replay.
 *
 * A record is a header of 32 bytes in the byte order of the machine, then the name, then the data:
 * u32 kind, u32 length of the name, u64 inode, u64 offset or size, u64 length of the data.
 * The name of a rename is the old name, a slash and the new name.
 *
 * System calls are made directly, because the functions of the C library are the ones replaced here. 64-bit
 * machines only. A call that is not replaced here shows when the replayed files differ from the real ones.
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <unistd.h>

enum kind { OPENED = 1, WRITTEN, TRUNCATED, SYNCED, FOLDER_SYNCED, UNLINKED, RENAMED };
enum { NOT_OURS, OUR_FILE, OUR_FOLDER };
enum { MOST_DESCRIPTORS = 4096 };

static pthread_mutex_t turn = PTHREAD_MUTEX_INITIALIZER;
static const char *folder;
static size_t folder_length;
static long journal = -1;
static unsigned char ours[MOST_DESCRIPTORS];

__attribute__((constructor)) static void begin(void)
{
    const char *path = getenv("CLEARWELL_CUT_JOURNAL");
    folder = getenv("CLEARWELL_CUT_FOLDER");
    if (path == NULL || folder == NULL)
        return;
    folder_length = strlen(folder);
    journal = syscall(SYS_openat, AT_FDCWD, path, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600);
    if (journal < 0)
        abort();
}

static const char *name_in_folder(const char *path)
{
    if (journal < 0 || strncmp(path, folder, folder_length) != 0 || path[folder_length] != '/')
        return NULL;
    path += folder_length + 1;
    return *path == '\0' || strchr(path, '/') != NULL ? NULL : path;
}

static int whose(int descriptor)
{
    return descriptor >= 0 && descriptor < MOST_DESCRIPTORS ? ours[descriptor] : NOT_OURS;
}

static void append(const void *data, size_t length)
{
    /* A journal with a gap would prove nothing. */
    if (length > 0 && syscall(SYS_write, journal, data, length) != (long)length)
        abort();
}

static void record(enum kind kind, const char *name, int descriptor, uint64_t offset, const void *data, size_t length)
{
    struct { uint32_t kind, name_length; uint64_t inode, offset, length; } header;
    struct stat found;
    memset(&header, 0, sizeof header);
    if (descriptor >= 0) {
        if (fstat(descriptor, &found) != 0)
            abort();
        header.inode = found.st_ino;
    }
    header.kind = kind;
    header.name_length = (uint32_t)strlen(name);
    header.offset = offset;
    header.length = length;
    append(&header, sizeof header);
    append(name, header.name_length);
    append(data, length);
}

static int open_it(const char *path, int flags, mode_t mode)
{
    const char *name = name_in_folder(path);
    int is_folder = journal >= 0 && strcmp(path, folder) == 0;
    int descriptor;
    pthread_mutex_lock(&turn);
    descriptor = (int)syscall(SYS_openat, AT_FDCWD, path, flags, mode);
    if (descriptor >= 0 && descriptor < MOST_DESCRIPTORS) {
        ours[descriptor] = name != NULL ? OUR_FILE : is_folder ? OUR_FOLDER : NOT_OURS;
        if (name != NULL)
            record(OPENED, name, descriptor, 0, NULL, 0);
        if (name != NULL && (flags & O_TRUNC) != 0)
            record(TRUNCATED, "", descriptor, 0, NULL, 0);
    } else if (descriptor >= 0 && name != NULL) {
        abort();
    }
    pthread_mutex_unlock(&turn);
    return descriptor;
}

#define OPEN(NAME) \
    int NAME(const char *path, int flags, ...) \
    { \
        mode_t mode = 0; \
        if ((flags & (O_CREAT | O_TMPFILE)) != 0) { \
            va_list rest; \
            va_start(rest, flags); \
            mode = va_arg(rest, mode_t); \
            va_end(rest); \
        } \
        return open_it(path, flags, mode); \
    }
OPEN(open)
OPEN(open64)

int close(int descriptor)
{
    int result;
    pthread_mutex_lock(&turn);
    if (whose(descriptor) != NOT_OURS)
        ours[descriptor] = NOT_OURS;
    result = (int)syscall(SYS_close, descriptor);
    pthread_mutex_unlock(&turn);
    return result;
}

ssize_t pwrite64(int descriptor, const void *data, size_t length, off64_t offset)
{
    ssize_t written;
    if (whose(descriptor) != OUR_FILE)
        return syscall(SYS_pwrite64, descriptor, data, length, offset);
    pthread_mutex_lock(&turn);
    written = syscall(SYS_pwrite64, descriptor, data, length, offset);
    if (written > 0)
        record(WRITTEN, "", descriptor, (uint64_t)offset, data, (size_t)written);
    pthread_mutex_unlock(&turn);
    return written;
}

ssize_t pwrite(int descriptor, const void *data, size_t length, off_t offset)
{
    return pwrite64(descriptor, data, length, offset);
}

ssize_t write(int descriptor, const void *data, size_t length)
{
    ssize_t written;
    if (whose(descriptor) != OUR_FILE)
        return syscall(SYS_write, descriptor, data, length);
    pthread_mutex_lock(&turn);
    written = syscall(SYS_write, descriptor, data, length);
    if (written > 0)
        record(WRITTEN, "", descriptor, (uint64_t)(lseek(descriptor, 0, SEEK_CUR) - written), data, (size_t)written);
    pthread_mutex_unlock(&turn);
    return written;
}

int ftruncate64(int descriptor, off64_t size)
{
    int result;
    if (whose(descriptor) != OUR_FILE)
        return (int)syscall(SYS_ftruncate, descriptor, size);
    pthread_mutex_lock(&turn);
    result = (int)syscall(SYS_ftruncate, descriptor, size);
    if (result == 0)
        record(TRUNCATED, "", descriptor, (uint64_t)size, NULL, 0);
    pthread_mutex_unlock(&turn);
    return result;
}

int ftruncate(int descriptor, off_t size)
{
    return ftruncate64(descriptor, size);
}

static int sync_it(long call, int descriptor)
{
    if (whose(descriptor) == NOT_OURS)
        return (int)syscall(call, descriptor);
    pthread_mutex_lock(&turn);
    record(whose(descriptor) == OUR_FILE ? SYNCED : FOLDER_SYNCED, "", descriptor, 0, NULL, 0);
    pthread_mutex_unlock(&turn);
    return 0;
}

int fsync(int descriptor)
{
    return sync_it(SYS_fsync, descriptor);
}

int fdatasync(int descriptor)
{
    return sync_it(SYS_fdatasync, descriptor);
}

int unlink(const char *path)
{
    const char *name = name_in_folder(path);
    int result;
    if (name == NULL)
        return (int)syscall(SYS_unlinkat, AT_FDCWD, path, 0);
    pthread_mutex_lock(&turn);
    result = (int)syscall(SYS_unlinkat, AT_FDCWD, path, 0);
    if (result == 0)
        record(UNLINKED, name, -1, 0, NULL, 0);
    pthread_mutex_unlock(&turn);
    return result;
}

int rename(const char *from, const char *to)
{
    const char *old_name = name_in_folder(from), *new_name = name_in_folder(to);
    char both[2 * 256 + 2];
    int result;
    if (old_name == NULL || new_name == NULL)
        return (int)syscall(SYS_renameat2, AT_FDCWD, from, AT_FDCWD, to, 0);
    pthread_mutex_lock(&turn);
    result = (int)syscall(SYS_renameat2, AT_FDCWD, from, AT_FDCWD, to, 0);
    if (result == 0) {
        if (strlen(old_name) + strlen(new_name) + 2 > sizeof both)
            abort();
        strcpy(both, old_name);
        strcat(both, "/");
        strcat(both, new_name);
        record(RENAMED, both, -1, 0, NULL, 0);
    }
    pthread_mutex_unlock(&turn);
    return result;
}
