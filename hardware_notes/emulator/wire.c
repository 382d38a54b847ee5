/* SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "wire.h"

#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <stdio.h>
#include <stdlib.h>
#include <termios.h>
#include <unistd.h>

#include <avr_uart.h>
#include <sim_cycle_timers.h>

wire_faults wire_fault = { .reset_after = -1 };
bool wire_reset_due;

static avr_t *board;
static avr_irq_t *uart_in;
static const char *link_path;
static unsigned byte_ticks;
static int terminal = -1;

static struct { uint8_t bytes[1 << 16]; unsigned in, out; } to_host, to_board;
#define ROOM (sizeof to_host.bytes)
#define HELD(queue) ((queue).in - (queue).out)
#define PUT(queue, byte) \
    do { \
        if (HELD(queue) < ROOM) \
            (queue).bytes[(queue).in++ % ROOM] = (byte); \
    } while (0)

static bool chance(double share) { return share > 0 && rand() < share * ((double)RAND_MAX + 1); }

/* False where the byte is dropped. */
static bool damage(uint8_t *byte)
{
    if (chance(wire_fault.drop_share))
        return false;
    if (chance(wire_fault.flip_share))
        *byte ^= 1 + rand() % 255;
    return true;
}

void wire_plug(void)
{
    int far;
    struct termios mode;
    if (terminal >= 0)
        return;
    if (openpty(&terminal, &far, NULL, NULL, NULL)) {
        perror("openpty");
        exit(1);
    }
    /* Raw before anyone opens it, else what the board says is echoed back to it. */
    tcgetattr(far, &mode);
    cfmakeraw(&mode);
    tcsetattr(far, TCSANOW, &mode);
    fcntl(terminal, F_SETFL, O_NONBLOCK);
    /* A new terminal has a new number, so the host opens it by a name that stays. */
    unlink(link_path);
    if (symlink(ptsname(terminal), link_path))
        perror(link_path);
    close(far); /* so that a hang-up says that nobody has it open */
}

void wire_unplug(void)
{
    if (terminal < 0)
        return;
    close(terminal);
    terminal = -1;
    unlink(link_path);
    to_host.out = to_host.in;
    to_board.out = to_board.in;
}

static void on_board_byte(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    uint8_t byte = value;
    if (wire_fault.reset_after >= 0 && wire_fault.reset_after-- == 0)
        wire_reset_due = true;
    if (damage(&byte))
        PUT(to_host, byte);
}

/* One byte in a byte's time: the emulator's own deep queue would hide an overrun. */
static avr_cycle_count_t feed(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr, (void)param;
    if (HELD(to_board) == 0)
        return 0;
    uint8_t byte = to_board.bytes[to_board.out++ % ROOM];
    if (damage(&byte))
        avr_raise_irq(uart_in, byte);
    return when + byte_ticks;
}

/* A reset of the emulated processor also forgets every timer, feed() among them. */
void wire_board_was_reset(void) { to_board.out = to_board.in; }

bool wire_idle(void) { return HELD(to_board) == 0 && HELD(to_host) == 0 && !wire_fault.flood; }

void wire_service(void)
{
    if (terminal < 0) {
        to_host.out = to_host.in;
        return;
    }
    struct pollfd state = { terminal, POLLIN | POLLOUT, 0 };
    poll(&state, 1, 0);
    bool anyone = !(state.revents & POLLHUP);
    uint8_t bytes[512];
    ssize_t count;
    if ((state.revents & POLLIN) && (count = read(terminal, bytes, sizeof bytes)) > 0) {
        bool asleep = HELD(to_board) == 0;
        for (ssize_t i = 0; i < count; i++)
            PUT(to_board, bytes[i]);
        if (asleep)
            avr_cycle_timer_register(board, byte_ticks, feed, NULL);
    }
    if (wire_fault.flood)
        while (HELD(to_host) < 4096)
            PUT(to_host, rand());
    if (!anyone)
        to_host.out = to_host.in; /* an adapter's bytes go nowhere when nobody listens */
    while (HELD(to_host)) {
        unsigned from = to_host.out % ROOM, most = HELD(to_host);
        if (most > ROOM - from)
            most = ROOM - from;
        count = write(terminal, to_host.bytes + from, most);
        if (count <= 0)
            break;
        to_host.out += count;
    }
}

void wire_attach(avr_t *avr, const char *path, long baud)
{
    uint32_t flags = 0; /* no echo to the console, no sleeping when polled */
    board = avr;
    link_path = path;
    byte_ticks = 10 * 16000000 / baud;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT),
                            on_board_byte, NULL);
    wire_plug();
}
