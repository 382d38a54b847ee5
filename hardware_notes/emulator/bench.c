/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <avr_adc.h>
#include <avr_ioport.h>
#include <sim_cycle_timers.h>
#include <sim_interrupts.h>
#include <sim_io.h>

#define TICKS_PER_S 16e6
#define TICKS_PER_US 16
#define QUIET_TICKS 16000 /* a burst's edges follow each other faster than this, 1 ms */
#define WAVE_TICKS 131072 /* 8 ms: the longest burst and its ringing */
#define REST_MV 2500.0
#define SUPPLY_MV 5000.0
#define ADCSRA_AT 0x7A
#define ADCSRB_AT 0x7B
#define PORTD_AT 0x2B
#define OCR0A_AT 0x47
#define TIMSK0_AT 0x6E
#define TIMER0_COMPA_VECTOR 14

bench_report bench;
bool bench_jam;

static avr_t *board;
static avr_irq_t *echo_input, *thermistor_input, *trigger_input;

/* ---- the transducers: two resonators, stepped once a tick -------------------------- */

static struct { double step[2][2], drive[2], out, state[2]; } resonators[2];

void bench_set_resonance(int which, double hz, double ring_s)
{
    /* x1' = x2, x2' = -w^2 x1 - 2/ring x2 + u, out = 2/ring x2: gain 1 at resonance.
     * One tick by the series of the matrix exponential and of its integral. */
    double h = 1 / TICKS_PER_S, w2 = pow(2 * M_PI * hz, 2) + 1 / (ring_s * ring_s);
    double m[2][2] = { { 0, h }, { -w2 * h, -2 / ring_s * h } };
    double term[2][2] = { { 1, 0 }, { 0, 1 } }, sum[2][2] = { { 1, 0 }, { 0, 1 } };
    double integral[2][2] = { { h, 0 }, { 0, h } };
    for (int k = 1; k < 20; k++) {
        double next[2][2];
        for (int i = 0; i < 2; i++)
            for (int j = 0; j < 2; j++)
                next[i][j] = (term[i][0] * m[0][j] + term[i][1] * m[1][j]) / k;
        memcpy(term, next, sizeof term);
        for (int i = 0; i < 2; i++)
            for (int j = 0; j < 2; j++) {
                sum[i][j] += term[i][j];
                integral[i][j] += term[i][j] * h / (k + 1);
            }
    }
    memcpy(resonators[which].step, sum, sizeof sum);
    resonators[which].drive[0] = integral[0][1];
    resonators[which].drive[1] = integral[1][1];
    resonators[which].out = 2 / ring_s;
}

static double resonate(int which, double input)
{
    double *x = resonators[which].state;
    const double(*step)[2] = resonators[which].step;
    double x0 = step[0][0] * x[0] + step[0][1] * x[1] + resonators[which].drive[0] * input;
    double x1 = step[1][0] * x[0] + step[1][1] * x[1] + resonators[which].drive[1] * input;
    x[0] = x0;
    x[1] = x1;
    return resonators[which].out * x1;
}

static struct { int tick, level; } edges[512];
static int edge_count;

bool bench_write_wave(const char *file)
{
    FILE *out = fopen(file, "wb");
    if (!out)
        return false;
    double sent = 0, heard = 0;
    int level = 0;
    memset(resonators[0].state, 0, sizeof resonators[0].state);
    memset(resonators[1].state, 0, sizeof resonators[1].state);
    for (int tick = 0, edge = 0; tick < WAVE_TICKS; tick++) {
        if (tick % TICKS_PER_US == 0) {
            /* A square wave's fundamental is 4/pi high. */
            float sample = M_PI / 4 * heard;
            fwrite(&sample, sizeof sample, 1, out);
        }
        while (edge < edge_count && edges[edge].tick <= tick)
            level = edges[edge++].level;
        double before = sent;
        sent = resonate(0, level);
        heard = resonate(1, (before + sent) / 2);
    }
    return fclose(out) == 0;
}

/* ---- the drive pins ---------------------------------------------------------------- */

static int pin_a, pin_b;
static avr_cycle_count_t last_edge;
static double first_rise_b, last_rise_b;

static void on_pin(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    int *pin = param, level = value & 1;
    if (level == *pin)
        return;
    avr_cycle_count_t now = board->cycle;
    if (edge_count == 0 || now - last_edge > QUIET_TICKS) {
        bench.bursts++;
        bench.first_edge_tick = now;
        bench.same_level_ticks = bench.low_ticks = 0;
        bench.rises_a = bench.rises_b = 0;
        edge_count = 0;
    } else {
        if (pin_a && pin_b)
            bench.same_level_ticks += now - last_edge;
        if (!pin_a && !pin_b)
            bench.low_ticks += now - last_edge;
    }
    *pin = level;
    last_edge = now;
    if (level && pin == &pin_a)
        bench.rises_a++;
    if (level && pin == &pin_b) {
        if (!bench.rises_b++)
            first_rise_b = now;
        last_rise_b = now;
        if (bench.rises_b > 1)
            bench.burst_hz = (bench.rises_b - 1) * TICKS_PER_S / (last_rise_b - first_rise_b);
    }
    if (edge_count < (int)(sizeof edges / sizeof edges[0])) {
        edges[edge_count].tick = (int)(now - bench.first_edge_tick);
        edges[edge_count++].level = pin_b - pin_a;
    }
}

/* ---- what comes back ---------------------------------------------------------------- */

static float *sound;
static long sound_samples;

bool bench_read_sound(const char *file)
{
    FILE *in = fopen(file, "rb");
    if (!in)
        return false;
    fseek(in, 0, SEEK_END);
    long samples = ftell(in) / (long)sizeof *sound;
    rewind(in);
    float *read = malloc(samples * sizeof *read + 1);
    bool whole = fread(read, sizeof *read, samples, in) == (size_t)samples;
    fclose(in);
    if (!whole) {
        free(read);
        return false;
    }
    free(sound);
    sound = read;
    sound_samples = samples;
    return true;
}

/* A cubic through the four samples around: within 2 parts in 10 000 at 40 kHz. */
static double sound_mv(double tick)
{
    double at = (tick - bench.first_edge_tick) / TICKS_PER_US;
    long n = (long)floor(at);
    if (bench.bursts == 0 || n < 1 || n + 2 >= sound_samples)
        return 0;
    double f = at - n, a = sound[n - 1], b = sound[n], c = sound[n + 1], d = sound[n + 2];
    return b * (1 - f * f) * (2 - f) / 2 + c * f * (1 + f) * (2 - f) / 2
        - a * f * (1 - f) * (2 - f) / 6 - d * f * (1 - f) * (1 + f) / 6;
}

/* ---- noise ------------------------------------------------------------------------- */

static double noise_mv;
static uint64_t noise_state = 1;

void bench_set_noise(double mv, uint64_t seed)
{
    noise_mv = mv;
    noise_state = seed * 0xD1B54A32D192ED03ULL + 1;
}

static double uniform(void)
{
    /* splitmix64 */
    uint64_t z = noise_state += 0x9E3779B97F4A7C15ULL;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9ULL;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBULL;
    return ((double)((z ^ (z >> 31)) >> 11) + 0.5) / 9007199254740992.0;
}

static double gaussian(void) { return sqrt(-2 * log(uniform())) * cos(2 * M_PI * uniform()); }

/* ---- the converter ----------------------------------------------------------------- */

static double ideal_start, true_start;
static uint32_t held_mv;
static bool from_timer;
static int in_series; /* automatic conversions since the first of a ping */

static avr_cycle_count_t apply(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr, (void)when, (void)param;
    avr_raise_irq(echo_input, held_mv);
    return 0;
}

/* A conversion starts. The emulator starts it at an instruction's end, up to a few ticks
 * late, and in free running these add up; silicon does neither, so an ideal timeline is
 * kept: starts one period apart. */
static void on_conversion(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)value, (void)param;
    unsigned clock = 1u << (board->data[ADCSRA_AT] & 7);
    in_series = board->data[ADCSRA_AT] & 0x20 ? in_series + 1 : 0;
    /* In free running the first is the switch-on conversion of 25 clocks. */
    double period = from_timer ? 8.0 * (board->data[OCR0A_AT] + 1)
        : in_series == 2       ? 25.0 * clock
                               : 13.0 * clock;
    ideal_start = in_series > 1 ? ideal_start + period : board->cycle;
    true_start = board->cycle;
    bench.conversions++;
    if (fabs(true_start - ideal_start) > bench.worst_slip_ticks)
        bench.worst_slip_ticks = fabs(true_start - ideal_start);
    /* Two converter clocks, and for a trigger three ticks of synchronisation. */
    double hold = ideal_start + 2 * clock + (from_timer ? 3 : 0);
    if (in_series == (from_timer ? 1 : 2))
        bench.first_hold_tick = hold;
    int gain = 1 << ((board->data[PORTD_AT] >> 2) & 3);
    double mv = REST_MV + gain * (sound_mv(hold) + noise_mv * gaussian());
    held_mv = (uint32_t)lround(fmin(fmax(mv, 0), SUPPLY_MV - 1));
    /* The emulator reads the pin when the program reads the result, which may be while the
     * next conversion runs: the voltage changes when this one ends. */
    avr_cycle_timer_cancel(board, apply, NULL);
    avr_cycle_timer_register(board, 13 * clock - 8, apply, NULL);
}

/* The emulator has no triggering by a timer: it is wired here, from the moment at which
 * the timer's interrupt flag rises. */
static void on_sampling_timer(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    if (!value)
        return;
    if (!(board->data[ADCSRA_AT] & 0x20) || (board->data[ADCSRB_AT] & 7) != 3)
        return;
    if (bench_jam) {
        /* The timer's interrupt dies, as if a disturbance had cleared its bit: the firmware
         * waits for samples that never come, until its watchdog bites. */
        bench_jam = false;
        board->data[TIMSK0_AT] = 0;
    }
    from_timer = true;
    avr_raise_irq(trigger_input, 1);
    from_timer = false;
}

bool bench_quiet(void)
{
    return board->cycle - last_edge > 32000 && board->cycle - true_start > 32000;
}

void bench_set_thermistor(double mv) { avr_raise_irq(thermistor_input, (uint32_t)lround(mv)); }

void bench_attach(avr_t *avr)
{
    board = avr;
    echo_input = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0);
    thermistor_input = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC1);
    trigger_input = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_IN_TRIGGER);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER),
                            on_conversion, NULL);
    avr_irq_register_notify(avr_get_interrupt_irq(avr, TIMER0_COMPA_VECTOR) + AVR_INT_IRQ_PENDING,
                            on_sampling_timer, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 1), on_pin, &pin_a);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 2), on_pin, &pin_b);
    bench_set_resonance(0, 40e3, 60e-6);
    bench_set_resonance(1, 40e3, 60e-6);
    bench_set_thermistor(2500 * 1.1123); /* 20 degrees */
}
