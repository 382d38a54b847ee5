/* The serial port: one request is taken in by interrupt, answers go out by waiting. */
#ifndef SERIAL_PORT_H
#define SERIAL_PORT_H

#include <stdbool.h>
#include <stdint.h>

void serial_start(void);
void serial_send(uint8_t byte);

/* Call with interrupts off. */
bool serial_request_waits(void);

/* The waiting request, still byte-stuffed, to be decoded in place; `*count` bytes. */
uint8_t *serial_request(uint8_t *count);

/* Makes room for the next request. True where bytes came in that found no room. */
bool serial_request_done(void);

#endif
