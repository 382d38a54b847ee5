#include "arithmetic.h"

/* The two timers are started one after the other. The burst's first edge comes when timer
 * 1 has counted half a cycle, the first conversion when timer 0 has counted one sample
 * period, or in free running once the converter's switch-on conversion is over. The
 * numbers in between are measured in the emulator, where a test holds them;
 * hardware_notes/board.md says how to measure their sum on a real board. */
#define SAMPLING_LEAD_TICKS 4   /* timer 0 starts so long before timer 1 */
#define TRIGGERED_HOLD_TICKS 35 /* 2 converter clocks and 3 ticks of synchronisation */
#define FREE_LAG_TICKS 3        /* the converter is switched on so long after timer 1 */
#define SWITCH_ON_TICKS 400     /* the first conversion takes 25 converter clocks */
#define FREE_HOLD_TICKS 32      /* 2 converter clocks */

uint16_t crc16(const uint8_t *bytes, uint8_t count, uint16_t crc)
{
    while (count--) {
        crc ^= (uint16_t)*bytes++ << 8;
        for (uint8_t bit = 8; bit; bit--)
            crc = crc & 0x8000 ? (crc << 1) ^ 0x1021 : crc << 1;
    }
    return crc;
}

int16_t cobs_decode(uint8_t *bytes, uint8_t count)
{
    uint8_t from = 0, to = 0;
    while (from < count) {
        uint8_t code = bytes[from++];
        if (code == 0 || code - 1 > count - from)
            return -1;
        for (uint8_t left = code - 1; left; left--) {
            if (bytes[from] == 0)
                return -1;
            bytes[to++] = bytes[from++];
        }
        if (from < count && code != 0xFF)
            bytes[to++] = 0;
    }
    return to;
}

uint16_t read_u16(const uint8_t *at) { return at[0] | (uint16_t)at[1] << 8; }

uint32_t read_u32(const uint8_t *at) { return read_u16(at) | (uint32_t)read_u16(at + 2) << 16; }

void write_u16(uint8_t *at, uint16_t value)
{
    at[0] = value;
    at[1] = value >> 8;
}

void write_u32(uint8_t *at, uint32_t value)
{
    write_u16(at, value);
    write_u16(at + 2, value >> 16);
}

void settings_read(const uint8_t *at, settings_t *out)
{
    out->half_period = read_u16(at);
    out->cycles = at[2];
    out->sample_period = read_u16(at + 3);
    out->gate_start = read_u16(at + 5);
    out->gate_length = read_u16(at + 7);
    out->gain_step = at[9];
}

void settings_write(const settings_t *s, uint8_t *at)
{
    write_u16(at, s->half_period);
    at[2] = s->cycles;
    write_u16(at + 3, s->sample_period);
    write_u16(at + 5, s->gate_start);
    write_u16(at + 7, s->gate_length);
    at[9] = s->gain_step;
}

uint8_t settings_problem(const settings_t *s)
{
    if (s->half_period < 100 || s->half_period > 4000)
        return 1;
    if (s->cycles < 1 || s->cycles > 64)
        return 2;
    /* A triggered conversion takes 13.5 converter clocks and some ticks, so the next
     * trigger may come 224 ticks later at the earliest; the timer has eight bits. */
    if (s->sample_period != FREE_RUNNING_TICKS
        && (s->sample_period < 224 || s->sample_period > 2048
            || s->sample_period % TIMER_STEP_TICKS))
        return 3;
    /* With the longest gate and period 0.67 s, well within the watchdog's second. */
    if (s->gate_start > 4096)
        return 4;
    if (s->gate_length < 16 || s->gate_length > BUFFER_SAMPLES)
        return 5;
    if (s->gain_step > 3)
        return 6;
    return 0;
}

int32_t first_sample_tick(const settings_t *s)
{
    int32_t gate = (int32_t)s->gate_start * s->sample_period;
    int16_t first = s->sample_period == FREE_RUNNING_TICKS
        ? FREE_LAG_TICKS + SWITCH_ON_TICKS + FREE_HOLD_TICKS
        : (int16_t)s->sample_period - SAMPLING_LEAD_TICKS + TRIGGERED_HOLD_TICKS;
    return first - (int16_t)s->half_period + gate;
}

uint8_t part_count(uint16_t samples) { return (samples + PART_SAMPLES - 1) / PART_SAMPLES; }

uint8_t part_samples(uint16_t samples, uint8_t part)
{
    uint16_t before = (uint16_t)part * PART_SAMPLES;
    uint16_t left = before < samples ? samples - before : 0;
    return left < PART_SAMPLES ? left : PART_SAMPLES;
}

/* Share of the supply, in 1/16368, at -10, -5 ... 50 degrees. */
#define TABLE_FIRST_C (-10)
#define TABLE_STEP_C 5
static const uint16_t table[] = {
    13970, 13338, 12616, 11812, 10944, 10033, 9105, 8184, 7293, 6451, 5671, 4960, 4322,
};
#define TABLE_ROWS (sizeof table / sizeof table[0])

int16_t thermistor_centi_c(uint16_t sum)
{
    if (sum > table[0] || sum < table[TABLE_ROWS - 1])
        return NO_THERMISTOR; /* open, shorted, or too hot or cold to be in a room */
    uint8_t row = 0;
    while (sum < table[row + 1])
        row++;
    uint16_t span = table[row] - table[row + 1];
    uint32_t into = (uint32_t)(table[row] - sum) * (TABLE_STEP_C * 100);
    return (TABLE_FIRST_C + TABLE_STEP_C * row) * 100 + (int16_t)((into + span / 2) / span);
}
