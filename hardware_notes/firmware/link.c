#include "link.h"

#include <avr/wdt.h>
#include <stdbool.h>
#include <string.h>

#include "capture.h"
#include "serial_port.h"

#define LINK_VERSION 1
#define FIRMWARE_MAJOR 1
#define FIRMWARE_MINOR 0
#ifndef CLOCK_PPM
#define CLOCK_PPM 50 /* a quartz crystal; say `make CLOCK_PPM=5000` for a ceramic resonator */
#endif
#ifndef NUMBER
#define NUMBER 1 /* tells two boards apart: `make NUMBER=2` */
#endif
#define NAME "bench board"

enum { IDENTIFY = 0x01, SET = 0x02, PING = 0x03, PARTS = 0x04, TEMPERATURE = 0x05 };
enum { REPLY = 0x80, ERROR = 0xFF };
enum {
    BAD_CHECK = 1, BAD_VERSION, BAD_TYPE, BAD_LENGTH, BAD_VALUE, NOT_SET, NOT_HELD, BUSY,
};
enum { CAN_TEMPERATURE = 1, CAN_GAIN = 2, CAN_FREE_RUN = 4 };

#define HEAD 3u
#define CHECK 2u
#define PART_HEAD 14u

static uint8_t frame[HEAD + PART_HEAD + PART_SAMPLES + CHECK];
static uint8_t reset_cause;
static settings_t settings;
static bool is_set, is_held;
static uint16_t held_ping, held_crc;

static uint8_t *const body = frame + HEAD;

static void send(uint8_t type, uint8_t tag, uint8_t body_bytes)
{
    frame[0] = LINK_VERSION;
    frame[1] = type;
    frame[2] = tag;
    uint8_t count = HEAD + body_bytes;
    uint16_t crc = crc16(frame, count, 0xFFFF);
    frame[count++] = crc >> 8;
    frame[count++] = crc;
    /* Byte stuffing on the way out, so that no second buffer is needed. */
    serial_send(0);
    for (uint8_t i = 0, end; i <= count; i = end + 1) {
        for (end = i; end < count && frame[end]; end++)
            ;
        serial_send(end - i + 1);
        while (i < end)
            serial_send(frame[i++]);
    }
    serial_send(0);
}

static void send_error(uint8_t tag, uint8_t reason, uint8_t detail)
{
    body[0] = reason;
    body[1] = detail;
    send(ERROR, tag, 2);
}

static void send_identity(uint8_t tag)
{
    body[0] = FIRMWARE_MAJOR;
    body[1] = FIRMWARE_MINOR;
    body[2] = reset_cause;
    body[3] = CAN_TEMPERATURE | CAN_GAIN | CAN_FREE_RUN;
    write_u32(body + 4, F_CPU);
    write_u16(body + 8, CLOCK_PPM);
    write_u16(body + 10, BUFFER_SAMPLES);
    write_u16(body + 12, NUMBER);
    memcpy(body + 14, NAME, sizeof NAME - 1);
    send(IDENTIFY | REPLY, tag, 14 + sizeof NAME - 1);
}

static void send_part(uint8_t tag, uint8_t part)
{
    uint8_t count = part_samples(settings.gate_length, part);
    write_u16(body, held_ping);
    body[2] = part;
    body[3] = part_count(settings.gate_length);
    write_u16(body + 4, settings.gate_length);
    write_u16(body + 6, settings.sample_period);
    write_u32(body + 8, first_sample_tick(&settings));
    write_u16(body + 12, held_crc);
    memcpy(body + PART_HEAD, capture_buffer + part * PART_SAMPLES, count);
    send(PING | REPLY, tag, PART_HEAD + count);
    wdt_reset();
}

/* Bit n of `wanted` asks for part n; there are never more than 32. */
static void send_parts(uint8_t tag, uint32_t wanted)
{
    uint8_t parts = part_count(settings.gate_length);
    for (uint8_t part = 0; part < parts; part++, wanted >>= 1)
        if (wanted & 1)
            send_part(tag, part);
}

static void take_ping(uint8_t tag, uint16_t number)
{
    is_held = false;
    capture_ping(&settings);
    held_ping = number;
    held_crc = 0xFFFF;
    uint8_t parts = part_count(settings.gate_length);
    for (uint8_t part = 0; part < parts; part++)
        held_crc = crc16(capture_buffer + part * PART_SAMPLES,
                         part_samples(settings.gate_length, part), held_crc);
    is_held = true;
    send_parts(tag, UINT32_MAX);
}

static void take_settings(uint8_t tag, const uint8_t *at)
{
    settings_t wanted;
    settings_read(at, &wanted);
    uint8_t problem = settings_problem(&wanted);
    if (problem) {
        send_error(tag, BAD_VALUE, problem);
        return;
    }
    settings = wanted;
    is_set = true;
    is_held = false; /* what the buffer holds was taken with other settings */
    capture_set_gain(settings.gain_step);
    settings_write(&settings, body);
    send(SET | REPLY, tag, SETTINGS_BYTES);
}

static void send_temperature(uint8_t tag)
{
    is_held = false;
    write_u16(body, thermistor_centi_c(capture_thermistor()));
    send(TEMPERATURE | REPLY, tag, 2);
}

static void answer(const uint8_t *in, uint8_t count)
{
    uint8_t type = in[1], tag = in[2], body_bytes = count - HEAD - CHECK;
    const uint8_t *at = in + HEAD;
    uint8_t due = type == SET ? SETTINGS_BYTES : type == PING ? 2 : type == PARTS ? 6 : 0;

    if (in[0] != LINK_VERSION)
        send_error(tag, BAD_VERSION, LINK_VERSION);
    else if (type < IDENTIFY || type > TEMPERATURE)
        send_error(tag, BAD_TYPE, type);
    else if (body_bytes < due) /* a later version's may be longer */
        send_error(tag, BAD_LENGTH, due);
    else if (type == IDENTIFY)
        send_identity(tag);
    else if (type == SET)
        take_settings(tag, at);
    else if (type == TEMPERATURE)
        send_temperature(tag);
    else if (!is_set)
        send_error(tag, NOT_SET, 0);
    else if (type == PING)
        take_ping(tag, read_u16(at));
    else if (!is_held || read_u16(at) != held_ping)
        send_error(tag, NOT_HELD, 0);
    else
        send_parts(tag, read_u32(at + 2));
}

void link_start(uint8_t cause)
{
    reset_cause = cause;
    send_identity(0);
}

void link_answer(void)
{
    uint8_t coded;
    uint8_t *in = serial_request(&coded);
    int16_t count = cobs_decode(in, coded);
    /* The remainder over a frame and its own check value is nought. */
    if (count < (int16_t)(HEAD + CHECK) || crc16(in, count, 0xFFFF))
        send_error(0, BAD_CHECK, 0);
    else
        answer(in, count);
    if (serial_request_done())
        send_error(0, BUSY, 0);
}
