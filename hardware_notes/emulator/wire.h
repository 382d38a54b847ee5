/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The board's serial port at a pseudo-terminal, and what can go wrong on the way. */
#ifndef WIRE_H
#define WIRE_H

#include <stdbool.h>
#include <stdint.h>

#include <sim_avr.h>

typedef struct {
    double flip_share, drop_share; /* of the bytes, both ways */
    long reset_after;              /* bytes from the board; -1: never */
    bool flood;                    /* the board sends rubbish without end */
} wire_faults;

extern wire_faults wire_fault;
extern bool wire_reset_due;

void wire_attach(avr_t *avr, const char *link_path, long baud);
void wire_plug(void);
void wire_unplug(void);
void wire_board_was_reset(void);
bool wire_idle(void);
void wire_service(void); /* moves bytes both ways; never waits */

#endif
