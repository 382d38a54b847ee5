#include "serial_port.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#ifndef BAUD
#define BAUD 500000UL
#endif
/* Double speed: eight ticks a bit is the finest division. */
#define DIVISION ((F_CPU + 4 * BAUD) / (8 * BAUD))
#define TRUE_BAUD (F_CPU / (8 * DIVISION))
#if TRUE_BAUD * 100 > BAUD * 103 || TRUE_BAUD * 103 < BAUD * 100
#error "this clock cannot make that baud rate to 3 %"
#endif

#define REQUEST_BYTES 32u

static uint8_t request[REQUEST_BYTES];
static volatile uint8_t request_count;
static volatile bool request_waits, no_room;

ISR(USART_RX_vect)
{
    bool damaged = UCSR0A & (_BV(FE0) | _BV(DOR0));
    uint8_t byte = UDR0;
    if (request_waits) {
        no_room |= byte != 0;
    } else if (byte == 0) {
        request_waits = request_count > 0;
    } else if (!damaged && request_count < REQUEST_BYTES) {
        request[request_count++] = byte;
    } else {
        /* A byte is lost, so the check value will not fit: keep what there is and let
         * the frame fail as a whole. */
        request[0] = 0xFF;
    }
}

void serial_start(void)
{
    UCSR0A = _BV(U2X0); /* before the divider: the emulator works out the rate at its write */
    UBRR0 = DIVISION - 1;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

void serial_send(uint8_t byte)
{
    while (!(UCSR0A & _BV(UDRE0)))
        ;
    UDR0 = byte;
}

bool serial_request_waits(void) { return request_waits; }

uint8_t *serial_request(uint8_t *count)
{
    *count = request_count;
    return request;
}

bool serial_request_done(void)
{
    cli();
    bool missed = no_room;
    no_room = false;
    request_count = 0;
    request_waits = false;
    sei();
    return missed;
}
