/* The firmware's own arithmetic: no registers, so that it also compiles on the host,
 * where the tests hold it against other implementations of the same rules. */
#ifndef ARITHMETIC_H
#define ARITHMETIC_H

#include <stdint.h>

#define BUFFER_SAMPLES 1152u /* 18 full parts; a quarter of the RAM stays free */
#define PART_SAMPLES 64u     /* small, so that one bad byte costs little */
#define FREE_RUNNING_TICKS 208u /* 13 converter clocks of 16 ticks: as fast as it goes */
#define TIMER_STEP_TICKS 8u     /* the sampling timer counts every eighth tick */

/* Everything that the set message sets. A tick is one cycle of the processor's clock. */
typedef struct {
    uint16_t half_period; /* ticks of half a cycle of the burst */
    uint8_t cycles;       /* whole cycles in a burst */
    uint16_t sample_period; /* ticks from one sample to the next */
    uint16_t gate_start;  /* samples thrown away before the first one kept */
    uint16_t gate_length; /* samples kept */
    uint8_t gain_step;    /* 0 to 3: 1, 2, 4, 8 times */
} settings_t;

#define SETTINGS_BYTES 10u

uint16_t crc16(const uint8_t *bytes, uint8_t count, uint16_t crc);

/* Takes the byte stuffing out of a frame, in place; gives the length left, or -1. */
int16_t cobs_decode(uint8_t *bytes, uint8_t count);

uint16_t read_u16(const uint8_t *at);
uint32_t read_u32(const uint8_t *at);
void write_u16(uint8_t *at, uint16_t value);
void write_u32(uint8_t *at, uint32_t value);

void settings_read(const uint8_t *at, settings_t *out);
void settings_write(const settings_t *s, uint8_t *at);

/* 0 where the settings can be used, else the number of the first field that cannot. */
uint8_t settings_problem(const settings_t *s);

/* Tick at which the first kept sample is held, counted from the burst's first edge;
 * negative where it comes earlier. */
int32_t first_sample_tick(const settings_t *s);

uint8_t part_count(uint16_t samples);
uint8_t part_samples(uint16_t samples, uint8_t part);

/* Hundredths of a degree Celsius from the sum of 16 ten-bit readings of the divider
 * "10 kilo-ohm resistor to the supply, 10 kilo-ohm thermistor (B = 3950 K) to ground". */
int16_t thermistor_centi_c(uint16_t sum_of_16);
#define NO_THERMISTOR INT16_MIN

#endif
