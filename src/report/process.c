/* Starting another program without a shell: the only file of the project that does. */
#define _GNU_SOURCE /* posix_spawn_file_actions_addchdir_np */
#include "report/process.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

extern char **environ;

static double now_s(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* Relative folders of PATH are passed over: the program runs in a folder full of foreign files. */
static int find_program(const char *program, char *path, size_t capacity)
{
    if (strchr(program, '/')) {
        (void)snprintf(path, capacity, "%s", program);
        return access(path, X_OK) == 0 ? 0 : -1;
    }
    const char *p = getenv("PATH");
    for (p = p ? p : "/usr/local/bin:/usr/bin:/bin"; *p;) {
        size_t n = strcspn(p, ":");
        int len = n && p[0] == '/' ? snprintf(path, capacity, "%.*s/%s", (int)n, p, program) : -1;
        if (len > 0 && (size_t)len < capacity && access(path, X_OK) == 0) {
            return 0;
        }
        p += n + (p[n] == ':');
    }
    return -1;
}

static int spawn(const char *path, const char *const *argv, const char *dir, int err_fd, pid_t *pid)
{
    posix_spawn_file_actions_t files;
    posix_spawnattr_t attr;
    sigset_t reset;
    if (posix_spawn_file_actions_init(&files) != 0) {
        return -1;
    }
    if (posix_spawnattr_init(&attr) != 0) {
        (void)posix_spawn_file_actions_destroy(&files);
        return -1;
    }
    (void)sigemptyset(&reset);
    (void)sigaddset(&reset, SIGPIPE);
    union { /* posix_spawn never writes to them; its prototype predates const */
        const char *const *ours;
        char *const *theirs;
    } args = {.ours = argv};
    int bad = posix_spawn_file_actions_addchdir_np(&files, dir) |
              posix_spawn_file_actions_addopen(&files, 0, "/dev/null", O_RDONLY, 0) |
              posix_spawn_file_actions_addopen(&files, 1, "/dev/null", O_WRONLY, 0) |
              posix_spawn_file_actions_adddup2(&files, err_fd, 2) |
              posix_spawnattr_setsigdefault(&attr, &reset) | posix_spawnattr_setpgroup(&attr, 0) |
              posix_spawnattr_setflags(&attr, POSIX_SPAWN_SETPGROUP | POSIX_SPAWN_SETSIGDEF);
    if (bad == 0) {
        bad = posix_spawn(pid, path, &files, &attr, args.theirs, environ);
    }
    (void)posix_spawn_file_actions_destroy(&files);
    (void)posix_spawnattr_destroy(&attr);
    return bad;
}

/* Reads what comes until the other side closes; false when the time is over. */
static int drain(int fd, double deadline_s, char *said, size_t capacity)
{
    size_t used = 0;
    for (;;) {
        double left = deadline_s - now_s();
        struct pollfd p = {.fd = fd, .events = POLLIN};
        int ready = left > 0 ? poll(&p, 1, (int)(left * 1000) + 1) : 0;
        if (ready < 0 && errno == EINTR) {
            continue;
        }
        if (ready <= 0) {
            return 0;
        }
        char buf[512];
        ssize_t got = read(fd, buf, sizeof buf);
        if (got < 0 && errno == EINTR) {
            continue;
        }
        if (got <= 0) {
            return 1;
        }
        size_t room = capacity ? capacity - 1 - used : 0;
        size_t n = (size_t)got < room ? (size_t)got : room;
        memcpy(said + used, buf, n);
        used += n;
        if (capacity) {
            said[used] = '\0';
        }
    }
}

/* A program may close its standard error and go on: waits in small steps. 1 = it ended. */
static int wait_until(pid_t pid, double deadline_s, int *status)
{
    for (;;) {
        pid_t got = waitpid(pid, status, WNOHANG);
        if (got == pid) {
            return 1;
        }
        if (got < 0 && errno != EINTR) {
            *status = -1;
            return 1;
        }
        if (now_s() >= deadline_s) {
            return 0;
        }
        (void)nanosleep(&(struct timespec){.tv_nsec = 2000000}, NULL);
    }
}

sm_run_result sm_process_run(const char *program, const char *const *argv, const char *dir,
                             double timeout_s, char *said, size_t capacity)
{
    char path[4096];
    if (capacity) {
        said[0] = '\0';
    }
    if (find_program(program, path, sizeof path) != 0) {
        return SM_RUN_MISSING;
    }
    int ends[2];
    if (pipe(ends) != 0) {
        return SM_RUN_FAILED;
    }
    (void)fcntl(ends[0], F_SETFD, FD_CLOEXEC);
    (void)fcntl(ends[1], F_SETFD, FD_CLOEXEC);
    pid_t pid = 0;
    int bad = spawn(path, argv, dir, ends[1], &pid);
    (void)close(ends[1]);
    if (bad != 0) {
        (void)close(ends[0]);
        return bad == ENOENT ? SM_RUN_MISSING : SM_RUN_FAILED;
    }
    double deadline_s = now_s() + timeout_s;
    int status = 0;
    int ended = drain(ends[0], deadline_s, said, capacity) && wait_until(pid, deadline_s, &status);
    (void)close(ends[0]);
    if (!ended) {
        (void)kill(-pid, SIGKILL); /* its own group: itself and what it started */
        (void)waitpid(pid, &status, 0);
        return SM_RUN_TIMEOUT;
    }
    return WIFEXITED(status) && WEXITSTATUS(status) == 0 ? SM_RUN_DONE : SM_RUN_FAILED;
}
