#define _XOPEN_SOURCE 700
#define _DEFAULT_SOURCE
#include "port.h"

#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "frame.h"

static int master = -1, slave = -1;
static char rest[FRAME_BYTES * 2];
static size_t rest_bytes;

double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

void told(double t, const char *form, ...)
{
    va_list values;
    va_start(values, form);
    printf("{\"t\": %.6f, ", t);
    vprintf(form, values);
    puts("}");
    fflush(stdout);
    va_end(values);
}

static void flush_rest(void)
{
    while (rest_bytes) {
        ssize_t put = write(master, rest, rest_bytes);
        if (put <= 0)
            return;
        rest_bytes -= (size_t)put;
        memmove(rest, rest + put, rest_bytes);
    }
}

void put_line(const char *text)
{
    flush_rest();
    if (rest_bytes)
        return; /* No room for a whole frame: it is dropped, its number is used up. */
    rest_bytes = strlen(text);
    memcpy(rest, text, rest_bytes);
    flush_rest();
}

void plug_in(double t, const char *link_path)
{
    struct termios raw;
    if (master >= 0) {
        close(slave);
        close(master);
    }
    master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (master < 0 || grantpt(master) || unlockpt(master)) {
        perror("no pseudo-terminal");
        exit(1);
    }
    /* It is kept open here too, so that the port outlives each program that opens it. */
    slave = open(ptsname(master), O_RDWR | O_NOCTTY);
    if (slave < 0 || tcgetattr(slave, &raw)) {
        perror("the pseudo-terminal does not open");
        exit(1);
    }
    cfmakeraw(&raw);
    tcsetattr(slave, TCSANOW, &raw);
    rest_bytes = 0;
    if (*link_path) {
        unlink(link_path);
        if (symlink(ptsname(master), link_path)) {
            perror(link_path);
            exit(1);
        }
    }
    told(t, "\"ev\": \"port\", \"name\": \"%s\"", ptsname(master));
}

int port_end(void)
{
    return master;
}
