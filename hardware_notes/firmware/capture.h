/* One ping: the burst goes out, and the converter fills the buffer. */
#ifndef CAPTURE_H
#define CAPTURE_H

#include "arithmetic.h"

extern uint8_t capture_buffer[BUFFER_SAMPLES];

void capture_start(void);
void capture_set_gain(uint8_t step);

/* Sends the burst and returns once the buffer holds `s->gate_length` samples. */
void capture_ping(const settings_t *s);

/* Sum of 16 ten-bit readings of the thermistor. */
uint16_t capture_thermistor(void);

#endif
