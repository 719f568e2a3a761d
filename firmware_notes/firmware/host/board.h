/* A board made of variables, so that the logic runs on a computer. */
#ifndef BOARD_H
#define BOARD_H

#include "hal.h"

struct board {
    enum path path;
    char said[65536];  /* frames since it was last emptied; what does not fit is dropped, as on the board */
    uint32_t said_length;
    uint32_t openings;
};

extern struct board board;

#endif
