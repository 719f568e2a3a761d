/* harness CONTROLLER.elf: the program on an emulated chip, its line on a pseudo-terminal.
 *
 * Commands are lines on standard input, answers and what happens are lines on standard output; times are
 * microseconds of the emulated clock. It ends with its input. Answers: `ok T` or `wrong COMMAND`.
 *
 *     run MS             run so long as fast as it goes, and answer
 *     pace 1 | pace 0    run along with the wall clock, or stand still between commands
 *     product US, feed US, emf VOLT, thermistor OHM, feedthermistor OHM, sender OHM, supply VOLT
 *     float overflow|full|low 1|0           1 is up
 *     pulses N           N flow pulses
 *     noise VOLT, offset VOLT, pin OHM, capacity FARAD, seed N
 *     reset power|pin|brownout, hang, hang 0 (interrupts off), noticks, flip ADDRESS
 *     random N SEED CYCLES   N random bytes into the receiver, one every CYCLES (0: the line's own rate)
 *     charge             -> charge NET GROSS, of the product cell, in coulomb; and begin anew
 *     stack              -> stack BYTES, the deepest since reset
 *
 * What happens: `pty PATH`, `valve 0|1|p T`, `drain 0|1|p T` (p: pulled up only), `reset CAUSE T`, and `lf T`
 * when a line end is given to the receiver, `frame T` when the board begins to send one.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "chip.h"

#define SLICE_US 500u

static int line_fd;
static bool paced;
static unsigned char said[4096];
static size_t said_length;

static void say(void)
{
    size_t gone = 0;
    while (gone < said_length) {
        ssize_t n = write(line_fd, said + gone, said_length - gone);
        if (n > 0) {
            gone += (size_t)n;
            continue;
        }
        /* Nobody reads. Along with the wall clock the bytes are lost, as on a wire; otherwise wait for the reader. */
        struct pollfd room = {line_fd, POLLOUT, 0};
        if (paced || poll(&room, 1, 5000) <= 0)
            break;
    }
    said_length = 0;
}

static void byte_said(unsigned char byte)
{
    if (said_length == sizeof said)
        say();
    said[said_length++] = byte;
}

static void listen_to_line(void)
{
    unsigned char bytes[4096];
    unsigned room = chip_hear_room();
    ssize_t n = room ? read(line_fd, bytes, room < sizeof bytes ? room : sizeof bytes) : 0;
    if (n > 0)
        chip_hear(bytes, (unsigned)n);
}

static void run_to(uint64_t us)
{
    while (chip_us() < us) {
        listen_to_line();
        uint64_t slice = chip_us() + SLICE_US;
        chip_run_to(slice < us ? slice : us);
        say();
    }
}

static void random_bytes(unsigned long count, uint64_t seed, uint32_t pace)
{
    uint64_t x = seed ? seed : 1;
    chip_pace(pace);
    while (count || !chip_heard_all()) {
        while (count && chip_hear_room()) {
            x ^= x >> 12;
            x ^= x << 25;
            x ^= x >> 27;
            unsigned char byte = (unsigned char)((x * 0x2545F4914F6CDD1Dull) >> 56);
            chip_hear(&byte, 1);
            count--;
        }
        chip_run_to(chip_us() + SLICE_US);
        say();
    }
    chip_pace(0);
}

static bool setting(const char *name, double value)
{
    if (strcmp(name, "product") == 0)
        circuit.cell[0].us = value;
    else if (strcmp(name, "feed") == 0)
        circuit.cell[1].us = value;
    else if (strcmp(name, "emf") == 0)
        circuit.cell[0].emf_v = circuit.cell[1].emf_v = value;
    else if (strcmp(name, "thermistor") == 0)
        circuit.thermistor_ohm[0] = value;
    else if (strcmp(name, "feedthermistor") == 0)
        circuit.thermistor_ohm[1] = value;
    else if (strcmp(name, "sender") == 0)
        circuit.sender_ohm = value;
    else if (strcmp(name, "noise") == 0)
        circuit.noise_v = value;
    else if (strcmp(name, "offset") == 0)
        circuit.offset_v = value;
    else if (strcmp(name, "pin") == 0)
        circuit.pin_ohm = value;
    else if (strcmp(name, "capacity") == 0)
        circuit.capacity_f = value;
    else if (strcmp(name, "seed") == 0)
        circuit.chance = (uint64_t)value + 1u;
    else if (strcmp(name, "supply") == 0)
        chip_supply(value);
    else
        return false;
    return true;
}

static bool obey(char *text)
{
    char word[16], first[16];
    double number;
    unsigned long count, seed, pace;
    if (sscanf(text, "%15s", word) != 1)
        return false;
    if (sscanf(text, "run %lf", &number) == 1)
        run_to(chip_us() + (uint64_t)(number * 1000.0));
    else if (sscanf(text, "pace %lf", &number) == 1)
        paced = number != 0.0;
    else if (sscanf(text, "float %15s %lf", first, &number) == 2 && chip_float_known(first))
        chip_float(first, number != 0.0);
    else if (sscanf(text, "pulses %lu", &count) == 1)
        while (count--)
            chip_pulse();
    else if (sscanf(text, "reset %15s", first) == 1)
        return chip_reset(first);
    else if (strcmp(word, "hang") == 0)
        chip_hang(sscanf(text, "hang %lf", &number) != 1 || number != 0.0);
    else if (strcmp(word, "noticks") == 0)
        chip_stop_ticks();
    else if (sscanf(text, "flip %lu", &count) == 1)
        chip_flip((uint32_t)count);
    else if (sscanf(text, "random %lu %lu %lu", &count, &seed, &pace) == 3)
        random_bytes(count, seed, (uint32_t)pace);
    else if (strcmp(word, "charge") == 0) {
        printf("charge %.6e %.6e\n", circuit.cell[0].net_c, circuit.cell[0].gross_c);
        circuit.cell[0].net_c = circuit.cell[0].gross_c = 0.0;
    } else if (strcmp(word, "stack") == 0)
        printf("stack %u\n", chip_stack());
    else if (sscanf(text, "%15s %lf", word, &number) == 2)
        return setting(word, number);
    else
        return false;
    return true;
}

/* Take what came on standard input; false at its end. */
static bool take_commands(void)
{
    static char buffer[4096];
    static size_t length;
    ssize_t n = read(STDIN_FILENO, buffer + length, sizeof buffer - 1 - length);
    if (n <= 0)
        return n < 0 && errno == EINTR;
    length += (size_t)n;
    char *end;
    while ((end = memchr(buffer, '\n', length)) != NULL) {
        *end = 0;
        if (obey(buffer))
            printf("ok %llu\n", (unsigned long long)chip_us());
        else
            printf("wrong %s\n", buffer);
        length -= (size_t)(end + 1 - buffer);
        memmove(buffer, end + 1, length);
    }
    return length < sizeof buffer - 1;
}

static uint64_t wall_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000u + (uint64_t)now.tv_nsec / 1000u;
}

int main(int argc, char **argv)
{
    int slave;
    char name[128];
    struct termios raw;
    if (argc != 2 || openpty(&line_fd, &slave, name, NULL, NULL) != 0) {
        fprintf(stderr, "usage: harness CONTROLLER.elf\n");
        return 1;
    }
    tcgetattr(slave, &raw);
    cfmakeraw(&raw);
    tcsetattr(slave, TCSANOW, &raw);
    fcntl(line_fd, F_SETFL, O_NONBLOCK);
    setvbuf(stdout, NULL, _IOLBF, 0);
    printf("pty %s\n", name);
    chip_on_byte(byte_said);
    chip_start(argv[1]);
    uint64_t wall = 0, emulated = 0;
    bool was_paced = false;
    for (;;) {
        struct pollfd in = {STDIN_FILENO, POLLIN, 0};
        if (poll(&in, 1, paced ? 1 : -1) > 0 && !take_commands())
            return 0;
        if (paced && !was_paced) {
            wall = wall_us();
            emulated = chip_us();
        }
        was_paced = paced;
        if (paced)
            run_to(emulated + (wall_us() - wall));
    }
}
