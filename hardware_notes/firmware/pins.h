/* Which pin does what; hardware_notes/board.md draws it. */
#ifndef PINS_H
#define PINS_H

#include <avr/io.h>

#define DRIVE_A _BV(PB1)  /* OC1A: the sender's one end */
#define DRIVE_B _BV(PB2)  /* OC1B: the sender's other end, always opposed in a burst */
#define GAIN_0 _BV(PD2)   /* the gain step in binary, to the amplifier's switch */
#define GAIN_1 _BV(PD3)
#define ECHO_INPUT 0      /* ADC0: the receiver's amplifier, resting at half the supply */
#define THERMISTOR_INPUT 1 /* ADC1 */

#endif
