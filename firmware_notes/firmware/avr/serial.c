/* The serial port, a ring of bytes each way. Interrupts move bytes; nobody waits for one.
 *
 * At 16 MHz the nearest rate to 115200 is 117647 baud, 2.1 % fast, inside what 8N1 receivers take. */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "serial.h"

#define RECEIVED 128u
#define TO_SEND 256u  /* indices are bytes and wrap by themselves */

static volatile uint8_t received[RECEIVED];
static volatile uint8_t received_in, received_out;
static volatile uint8_t to_send[TO_SEND];
static volatile uint8_t to_send_in, to_send_out;

void serial_start(void)
{
    UBRR0 = 16;
    UCSR0A = _BV(U2X0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

ISR(USART_RX_vect)
{
    uint8_t damaged = UCSR0A & (_BV(FE0) | _BV(DOR0));
    uint8_t byte = UDR0;
    uint8_t next = (uint8_t)((received_in + 1u) % RECEIVED);
    /* A damaged byte becomes one that no frame may hold. A full ring loses it: the check finds that. */
    if (next == received_out)
        return;
    received[received_in] = damaged ? 0 : byte;
    received_in = next;
}

ISR(USART_UDRE_vect)
{
    if (to_send_out == to_send_in) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
        return;
    }
    UDR0 = to_send[to_send_out++];
}

bool hal_receive(uint8_t *byte)
{
    uint8_t out = received_out;
    if (out == received_in)
        return false;
    *byte = received[out];
    received_out = (uint8_t)((out + 1u) % RECEIVED);
    return true;
}

bool hal_send(const char *text, uint8_t length)
{
    uint8_t in = to_send_in;
    uint8_t room = (uint8_t)(to_send_out - in - 1u);
    if (length > room)
        return false;
    for (uint8_t i = 0; i < length; i++)
        to_send[in++] = (uint8_t)text[i];
    to_send_in = in;
    uint8_t flags = SREG;
    cli();
    UCSR0B |= _BV(UDRIE0);
    SREG = flags;
    return true;
}
