/* The bits of the protocol: what is fitted, and the local faults. Sections 3 of protocol.md. */
#ifndef FITTED_H
#define FITTED_H

#define FITTED_DRAIN 1u
#define FITTED_FEED 2u
#define FITTED_PULSES 4u
#define FITTED_SENDER 8u
#define FITTED_LOW 16u
#define FITTED_FULL 32u
#define FITTED_OVERFLOW 64u

#define FAULT_SELF_TEST 1u
#define FAULT_CELL_RANGE 2u
#define FAULT_TEMPERATURE_OPEN 4u
#define FAULT_TEMPERATURE_SHORT 8u
#define FAULT_SENDER_OPEN 16u
#define FAULT_SENDER_SHORT 32u
#define FAULT_OVERFLOW 64u
#define FAULT_LAPSED 128u
#define FAULT_SUPPLY 256u

#endif
