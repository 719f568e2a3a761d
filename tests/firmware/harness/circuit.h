/* The wires around the chip as an electrical model: two cells with their range resistors, the other inputs, and
 * a 10-bit converter with offset and noise. It knows nothing of the firmware but the circuit diagrams. */
#ifndef CIRCUIT_H
#define CIRCUIT_H

#include <stdbool.h>
#include <stdint.h>

#define SUPPLY_V 5.0

/* What the chip drives: direction and level of each pin of port B and C. */
struct drives {
    uint8_t ddrb, portb, ddrc, portc;
};

struct cell_model {
    double us;        /* conductance of the water between the electrodes */
    double emf_v;     /* voltage that the two electrodes make by themselves */
    double node_v;    /* the middle point, at the time `since_s` */
    double net_c;     /* charge that went through the cell, with its sign */
    double gross_c;   /* and without */
};

struct circuit {
    struct cell_model cell[2];
    struct drives drives;
    double since_s;
    double pin_ohm;       /* resistance of a driven pin */
    double capacity_f;    /* cable and buffer input at each middle point */
    double noise_v;       /* standard deviation at the converter's input */
    double offset_v;
    double thermistor_ohm[2];
    double sender_ohm;
    double valve_supply_v;
    uint64_t chance;      /* state of the noise generator */
};

void circuit_start(struct circuit *circuit);

/* The pins changed at this time. */
void circuit_drive(struct circuit *circuit, struct drives drives, double now_s);

/* What the converter gives for this input, 0 to 1023. */
uint16_t circuit_convert(struct circuit *circuit, unsigned input, double now_s);

#endif
