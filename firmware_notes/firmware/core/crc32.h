/* CRC-32/ISO-HDLC, bit by bit: no table, because flash is scarcer here than time. */
#ifndef CRC32_H
#define CRC32_H

#include <stdint.h>

#define CRC32_START 0xFFFFFFFFul

/* Take one more byte into `crc`, which began as CRC32_START. */
uint32_t crc32_byte(uint32_t crc, uint8_t byte);

/* The check value of everything taken in. */
static inline uint32_t crc32_end(uint32_t crc) { return crc ^ 0xFFFFFFFFul; }

/* The check value of `length` bytes. */
uint32_t crc32_of(const char *text, uint8_t length);

#endif
