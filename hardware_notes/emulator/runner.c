/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Runs the board's firmware in the simavr library, with a pseudo-terminal for its serial
 * port and a bench in front of its converter. Takes commands, one a line, on standard
 * input and answers each with one line; ends when its input ends. README.md lists them. */
#include <poll.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <avr_extint.h>
#include <sim_avr.h>
#include <sim_elf.h>

#include "bench.h"
#include "wire.h"

#define PAINT 0xC5         /* what the stack has not touched still shows */
#define SERVICE_TICKS 1600 /* 100 microseconds of the board's time */

static avr_t *avr;
static FILE *answers; /* standard output, kept from what the library prints there */
static unsigned stack_floor; /* the first address above the static variables */

static void reset_board(void)
{
    avr_reset(avr);
    wire_board_was_reset();
}

static unsigned stack_used(void)
{
    unsigned at = stack_floor;
    while (at < avr->ramend && avr->data[at] == PAINT)
        at++;
    return avr->ramend - at + 1;
}

static void report(void)
{
    fprintf(answers, "ok ticks=%llu bursts=%llu conversions=%llu burst_hz=%.3f first_tick=%.0f "
           "rises_a=%d rises_b=%d both_high_ticks=%llu both_low_ticks=%llu slip_ticks=%.0f "
           "stack=%u\n",
           (unsigned long long)avr->cycle, (unsigned long long)bench.bursts,
           (unsigned long long)bench.conversions, bench.burst_hz,
           bench.first_hold_tick - bench.first_edge_tick, bench.rises_a, bench.rises_b,
           (unsigned long long)bench.same_level_ticks, (unsigned long long)bench.low_ticks,
           bench.worst_slip_ticks, stack_used());
}

/* False on "quit". */
static bool obey(char *line)
{
    char word[32] = "", file[512] = "";
    double a = 0, b = 0, c = 0;
    bool known = true;
    sscanf(line, "%31s", word);
    sscanf(line, "%*s %lf %lf %lf", &a, &b, &c);
    if (!strcmp(word, "quit"))
        return false;
    if (!strcmp(word, "report")) {
        report();
        fflush(answers);
        return true;
    }
    sscanf(line, "%*s %511[^\n]", file);
    if (!strcmp(word, "sound"))
        known = bench_read_sound(file);
    else if (!strcmp(word, "wave"))
        known = bench_write_wave(file);
    else if (!strcmp(word, "noise"))
        bench_set_noise(a, (uint64_t)b);
    else if (!strcmp(word, "resonance"))
        bench_set_resonance(a != 0, b, c);
    else if (!strcmp(word, "thermistor"))
        bench_set_thermistor(a);
    else if (!strcmp(word, "flip"))
        wire_fault.flip_share = a;
    else if (!strcmp(word, "drop"))
        wire_fault.drop_share = a;
    else if (!strcmp(word, "flood"))
        wire_fault.flood = a != 0;
    else if (!strcmp(word, "plug"))
        wire_plug();
    else if (!strcmp(word, "unplug"))
        wire_unplug();
    else if (!strcmp(word, "reset"))
        reset_board();
    else if (!strcmp(word, "reset-after"))
        wire_fault.reset_after = (long)a;
    else if (!strcmp(word, "jam"))
        bench_jam = true;
    else
        known = false;
    fprintf(answers, "%s %s\n", known ? "ok" : "failed", word);
    fflush(answers);
    return true;
}

static bool take_commands(int wait_ms)
{
    static char line[600];
    static size_t held;
    struct pollfd input = { 0, POLLIN, 0 };
    char bytes[512];
    if (poll(&input, 1, wait_ms) <= 0)
        return true;
    ssize_t count = read(0, bytes, sizeof bytes);
    if (count <= 0)
        return false; /* whoever started this program has gone */
    for (ssize_t i = 0; i < count; i++) {
        if (bytes[i] == '\n' || held == sizeof line - 1) {
            line[held] = 0;
            held = 0;
            if (!obey(line))
                return false;
        } else {
            line[held++] = bytes[i];
        }
    }
    return true;
}

/* The board's time is its own: a sleeping processor skips ahead and never waits here. */
static void no_sleep(avr_t *a, avr_cycle_count_t ticks) { (void)a, (void)ticks; }

int main(int argc, char **argv)
{
    elf_firmware_t firmware = { 0 };
    if (argc != 4) {
        fprintf(stderr, "usage: runner FIRMWARE.elf TERMINAL-NAME BAUD\n");
        return 2;
    }
    answers = fdopen(dup(STDOUT_FILENO), "w");
    dup2(STDERR_FILENO, STDOUT_FILENO);
    if (elf_read_firmware(argv[1], &firmware)) {
        fprintf(stderr, "%s: is no firmware\n", argv[1]);
        return 2;
    }
    firmware.frequency = 16000000;
    strcpy(firmware.mmcu, "atmega328p");
    avr = avr_make_mcu_by_name(firmware.mmcu);
    avr_init(avr);
    avr_load_firmware(avr, &firmware);
    stack_floor = 0x100 + firmware.datasize + firmware.bsssize;
    memset(avr->data + stack_floor, PAINT, avr->ramend - stack_floor + 1);
    avr->vcc = avr->avcc = avr->aref = 5000;
    avr->sleep = no_sleep;
    avr->log = LOG_ERROR;
    /* The gain's pins can interrupt, too. The firmware never lets them, but the library would
     * look after each tick whether they are still low. */
    avr_extint_set_strict_lvl_trig(avr, 0, 0);
    avr_extint_set_strict_lvl_trig(avr, 1, 0);
    bench_attach(avr);
    wire_attach(avr, argv[2], atol(argv[3]));
    fputs("ready\n", answers);
    fflush(answers);
    avr_cycle_count_t next = 0;
    for (;;) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            fputs("the processor stopped\n", answers);
            break;
        }
        if (wire_reset_due) {
            wire_reset_due = false;
            reset_board();
        }
        if (avr->cycle < next)
            continue;
        next = avr->cycle + SERVICE_TICKS;
        wire_service();
        bool idle = state == cpu_Sleeping && wire_idle() && bench_quiet();
        if (!take_commands(idle ? 1 : 0))
            break;
    }
    wire_unplug();
    return 0;
}
