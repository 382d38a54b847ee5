/* An echo-ranging board: a processor of the ATmega328P class at 16 MHz, a 40 kHz sender
 * driven push-pull, a 40 kHz receiver with its amplifier, and a serial port. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "capture.h"
#include "link.h"
#include "serial_port.h"

/* Wakes the processor 61 times a second, so that an idle board still feeds its watchdog. */
EMPTY_INTERRUPT(TIMER2_OVF_vect);

int main(void)
{
    uint8_t reset_cause = MCUSR;
    MCUSR = 0; /* else a watchdog reset would keep the watchdog running at its shortest */
    wdt_enable(WDTO_1S);
    capture_start();
    serial_start();
    TCCR2B = _BV(CS22) | _BV(CS21) | _BV(CS20);
    TIMSK2 = _BV(TOIE2);
    sei();
    link_start(reset_cause);
    set_sleep_mode(SLEEP_MODE_IDLE);
    for (;;) {
        wdt_reset();
        cli();
        if (serial_request_waits()) {
            sei();
            link_answer();
            continue;
        }
        sleep_enable();
        sei();
        sleep_cpu();
        sleep_disable();
    }
}
