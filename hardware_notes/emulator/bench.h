/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The board's analogue surroundings. What its drive pins send goes through a pair of
 * resonant transducers and can be read out; what comes back is given as a sound, which is
 * played to the converter from each burst's first edge on. */
#ifndef BENCH_H
#define BENCH_H

#include <stdbool.h>
#include <stdint.h>

#include <sim_avr.h>

typedef struct {
    uint64_t bursts, conversions;
    double first_edge_tick, first_hold_tick; /* of the last ping; absolute ticks */
    uint64_t same_level_ticks;               /* both drive pins high at once, last burst */
    uint64_t low_ticks;                      /* both low between its first and last edge */
    int rises_a, rises_b;
    double burst_hz;
    double worst_slip_ticks; /* of a conversion's true start from its ideal one */
} bench_report;

extern bench_report bench;
extern bool bench_jam; /* set, it spoils the next capture once */

void bench_attach(avr_t *avr);
bool bench_quiet(void); /* no burst and no conversion for 2 ms */
void bench_set_noise(double mv, uint64_t seed);
/* `which`: 0 the sender, 1 the receiver. It rings down to 1/e in `ring_s`. */
void bench_set_resonance(int which, double hz, double ring_s);
void bench_set_thermistor(double mv);
/* The last burst as both transducers pass it on, of amplitude 1 where it lasts: float32,
 * one a microsecond, from its first edge. */
bool bench_write_wave(const char *file);
/* What comes back, in millivolts: float32, one a microsecond, from the first edge. */
bool bench_read_sound(const char *file);

#endif
