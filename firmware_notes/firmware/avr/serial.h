#ifndef SERIAL_H
#define SERIAL_H

#include "hal.h"

/* 115200 baud, 8 data bits, no parity, one stop bit. */
void serial_start(void);

#endif
