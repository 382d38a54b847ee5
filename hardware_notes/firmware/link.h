/* Messages: what comes in is checked and answered. hardware_notes/serial_link.md is the
 * rule; the numbers here are its. */
#ifndef LINK_H
#define LINK_H

#include <stdint.h>

void link_start(uint8_t reset_cause); /* says hello, unasked */
void link_answer(void);               /* the request that waits at the serial port */

#endif
