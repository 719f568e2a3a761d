#include "crc32.h"

uint32_t crc32_byte(uint32_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint8_t bit = 0; bit < 8; bit++)
        crc = (crc & 1u) ? (crc >> 1) ^ 0xEDB88320ul : crc >> 1;
    return crc;
}

uint32_t crc32_of(const char *text, uint8_t length)
{
    uint32_t crc = CRC32_START;
    for (uint8_t i = 0; i < length; i++)
        crc = crc32_byte(crc, (uint8_t)text[i]);
    return crc32_end(crc);
}
