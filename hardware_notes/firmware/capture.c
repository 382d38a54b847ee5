#include "capture.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <stdbool.h>

#include "pins.h"

#define CONVERTER_CLOCK _BV(ADPS2) /* /16: 1 MHz at 16 MHz, the converter's fastest for 8 bits */
#define BOTH_LOW (_BV(COM1A1) | _BV(COM1B1))
#define RAISE_B (_BV(COM1A1) | _BV(COM1B1) | _BV(COM1B0))
#define TOGGLE_BOTH (_BV(COM1A0) | _BV(COM1B0))

uint8_t capture_buffer[BUFFER_SAMPLES];

static volatile uint16_t samples_to_skip;
static uint8_t *volatile next_sample;
static uint8_t *buffer_end;
static volatile bool filled;
static volatile uint8_t edges_left;

/* An edge of the burst has just been driven by the timer's own hardware; what is set here
 * acts at the next one, so the time that this takes moves nothing. */
ISR(TIMER1_COMPA_vect)
{
    uint8_t left = --edges_left;
    if (left == 0) {
        TCCR1B = 0;
        TIMSK1 = 0;
    } else if (left == 1) {
        TCCR1A = BOTH_LOW;
    } else {
        /* Every other time B is high. A real timer toggles its own latch and does not look
         * at the port's bit; the emulator toggles that bit, so it must be true. */
        if (!(left & 1))
            PORTB |= DRIVE_B;
        TCCR1A = TOGGLE_BOTH;
    }
}

/* The sampling timer has just triggered a conversion; the one before it is complete and
 * stays readable until this one is, 216 ticks from now. */
ISR(TIMER0_COMPA_vect)
{
    uint8_t code = ADCH;
    if (samples_to_skip) {
        samples_to_skip--;
        return;
    }
    uint8_t *at = next_sample;
    *at++ = code;
    next_sample = at;
    if (at == buffer_end) {
        ADCSRA = _BV(ADEN) | CONVERTER_CLOCK;
        TIMSK0 = 0;
        filled = true;
    }
}

/* Free-running: each conversion calls, and has just ended. */
ISR(ADC_vect, ISR_ALIASOF(TIMER0_COMPA_vect));

void capture_start(void)
{
    DDRB |= DRIVE_A | DRIVE_B;
    DDRD |= GAIN_0 | GAIN_1;
    DIDR0 = _BV(ECHO_INPUT) | _BV(THERMISTOR_INPUT);
}

void capture_set_gain(uint8_t step)
{
    PORTD = (PORTD & ~(GAIN_0 | GAIN_1)) | (step & 1 ? GAIN_0 : 0) | (step & 2 ? GAIN_1 : 0);
}

static void wait_for_samples(void)
{
    set_sleep_mode(SLEEP_MODE_IDLE);
    for (;;) {
        cli(); /* else the last interrupt may slip in between the test and the sleep */
        if (filled) {
            sei();
            return;
        }
        sleep_enable();
        sei();
        sleep_cpu();
        sleep_disable();
    }
}

void capture_ping(const settings_t *s)
{
    bool free_running = s->sample_period == FREE_RUNNING_TICKS;
    uint8_t wake = TIMSK2;
    TIMSK2 = 0; /* nothing else interrupts a ping */
    ADMUX = _BV(REFS0) | _BV(ADLAR) | ECHO_INPUT;
    /* A switch-on conversion takes 25 clocks, not 13. */
    ADCSRA = _BV(ADEN) | _BV(ADSC) | CONVERTER_CLOCK;
    while (ADCSRA & _BV(ADSC))
        ;

    next_sample = capture_buffer;
    buffer_end = capture_buffer + s->gate_length;
    filled = false;
    /* At the first trigger no conversion has ended yet, and the first free-running one is
     * the switch-on conversion: either way one reading more is thrown away. */
    samples_to_skip = s->gate_start + 1;
    edges_left = 2 * s->cycles + 1;

    TCCR1B = _BV(WGM12); /* clear on compare match, stopped */
    TCNT1 = 0;
    OCR1A = OCR1B = s->half_period - 1;
    TCCR1A = RAISE_B;
    TIFR1 = 0xFF;
    TIMSK1 = _BV(OCIE1A);

    TCCR0B = 0;
    TCCR0A = _BV(WGM01);
    OCR0A = s->sample_period / TIMER_STEP_TICKS - 1;
    TCNT0 = 0;
    TIFR0 = 0xFF;
    TIMSK0 = free_running ? 0 : _BV(OCIE0A);
    ADCSRB = free_running ? 0 : _BV(ADTS1) | _BV(ADTS0); /* timer 0 compare match A */
    ADCSRA = free_running ? 0 : _BV(ADEN) | _BV(ADATE) | _BV(ADIF) | CONVERTER_CLOCK;
    uint8_t converter = _BV(ADEN) | _BV(ADSC) | _BV(ADATE) | _BV(ADIF) | _BV(ADIE)
        | CONVERTER_CLOCK;
    uint8_t burst_on = _BV(WGM12) | _BV(CS10), sampling_on = _BV(CS01);

    /* From here to the last of these writes every tick counts: the order of the
     * instructions is the board's time zero. */
    cli();
    if (free_running) {
        TCCR1B = burst_on;
        ADCSRA = converter;
    } else {
        GTCCR = _BV(TSM) | _BV(PSRSYNC); /* hold the divider by eight at its start */
        TCCR0B = sampling_on;
        GTCCR = 0;
        TCCR1B = burst_on;
    }
    sei();

    wait_for_samples();
    TCCR0B = 0;
    TCCR1B = 0;
    TIMSK1 = 0;
    PORTB &= ~(DRIVE_A | DRIVE_B); /* before the timer lets go of the pins */
    TCCR1A = 0;
    ADCSRB = 0;
    TIMSK2 = wake;
}

uint16_t capture_thermistor(void)
{
    uint16_t sum = 0;
    ADMUX = _BV(REFS0) | THERMISTOR_INPUT;
    /* Seventeen: the first settles the input and is thrown away. */
    for (uint8_t i = 0; i < 17; i++) {
        ADCSRA = _BV(ADEN) | _BV(ADSC) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
        while (ADCSRA & _BV(ADSC))
            ;
        if (i)
            sum += ADC;
    }
    return sum;
}
