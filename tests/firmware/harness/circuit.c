#include "circuit.h"

#include <math.h>
#include <string.h>

struct resistor {
    uint8_t pin;
    double ohm;
};

static const struct resistor RANGES[2][3] = {
    {{0, 1.0e6}, {1, 33.0e3}, {2, 1.0e3}},
    {{3, 33.0e3}, {4, 1.0e3}, {7, 1.0e12}},
};
static const uint8_t RETURN_PIN[2] = {1, 3};

#define THERMISTOR_SERIES_OHM 10.0e3
#define SENDER_SERIES_OHM 220.0
#define SUPPLY_UPPER_OHM 22.0e3
#define SUPPLY_LOWER_OHM 10.0e3

void circuit_start(struct circuit *circuit)
{
    memset(circuit, 0, sizeof *circuit);
    circuit->cell[0].us = 5.0;
    circuit->cell[1].us = 400.0;
    circuit->pin_ohm = 30.0;
    circuit->capacity_f = 200e-12;
    circuit->noise_v = 0.0025;
    circuit->thermistor_ohm[0] = circuit->thermistor_ohm[1] = 10.0e3;
    circuit->sender_ohm = 95.0;
    circuit->valve_supply_v = 12.0;
    circuit->chance = 1;
}

static double even(struct circuit *circuit)
{
    /* xorshift64*, S. Vigna, "An experimental exploration of Marsaglia's xorshift generators" (2016). */
    uint64_t x = circuit->chance;
    x ^= x >> 12;
    x ^= x << 25;
    x ^= x >> 27;
    circuit->chance = x;
    return (double)((x * 0x2545F4914F6CDD1Dull) >> 11) / 9007199254740992.0;
}

static double normal(struct circuit *circuit)
{
    return sqrt(-2.0 * log(1.0 - even(circuit))) * cos(6.283185307179586 * even(circuit));
}

/* What pulls at the middle point from the range side, as conductance and current into 0 V. */
static void range_side(const struct circuit *circuit, int cell, double *siemens, double *ampere)
{
    *siemens = *ampere = 0.0;
    for (int i = 0; i < 3; i++) {
        uint8_t bit = (uint8_t)(1u << RANGES[cell][i].pin);
        if (!(circuit->drives.ddrb & bit) || RANGES[cell][i].ohm > 1e9)
            continue;
        double g = 1.0 / (RANGES[cell][i].ohm + circuit->pin_ohm);
        *siemens += g;
        *ampere += g * (circuit->drives.portb & bit ? SUPPLY_V : 0.0);
    }
}

static double return_v(const struct circuit *circuit, int cell)
{
    return circuit->drives.portc & (1u << RETURN_PIN[cell]) ? SUPPLY_V : 0.0;
}

/* Conductance of cell and return pin in series; none when the pin is not driven. */
static double cell_side(const struct circuit *circuit, int cell)
{
    double g = circuit->cell[cell].us * 1e-6;
    if (!(circuit->drives.ddrc & (1u << RETURN_PIN[cell])) || g <= 0.0)
        return 0.0;
    return 1.0 / (1.0 / g + circuit->pin_ohm);
}

/* Bring both middle points, and the charge through both cells, to this time. */
static void settle(struct circuit *circuit, double now_s)
{
    double passed_s = now_s - circuit->since_s;
    circuit->since_s = now_s;
    if (passed_s <= 0.0)
        return;
    for (int i = 0; i < 2; i++) {
        struct cell_model *cell = &circuit->cell[i];
        double siemens, ampere, g = cell_side(circuit, i), far_v = return_v(circuit, i) + cell->emf_v;
        range_side(circuit, i, &siemens, &ampere);
        if (siemens + g <= 0.0)
            continue;
        double end_v = (ampere + g * far_v) / (siemens + g);
        double tau_s = circuit->capacity_f / (siemens + g);
        double rest = exp(-passed_s / tau_s);
        double charge = g * ((end_v - far_v) * passed_s + (cell->node_v - end_v) * tau_s * (1.0 - rest));
        cell->net_c += charge;
        cell->gross_c += fabs(charge);
        cell->node_v = end_v + (cell->node_v - end_v) * rest;
    }
}

void circuit_drive(struct circuit *circuit, struct drives drives, double now_s)
{
    settle(circuit, now_s);
    circuit->drives = drives;
}

static double input_v(struct circuit *circuit, unsigned input)
{
    unsigned cell = input / 2;
    switch (input) {
    case 0:
    case 2:
        return circuit->cell[cell].node_v;
    case 1:
    case 3: {
        double v = return_v(circuit, (int)cell);
        double g = cell_side(circuit, (int)cell);
        return v + g * (circuit->cell[cell].node_v - v - circuit->cell[cell].emf_v) * circuit->pin_ohm;
    }
    case 4:
    case 5: {
        double ohm = circuit->thermistor_ohm[input - 4];
        return SUPPLY_V * ohm / (ohm + THERMISTOR_SERIES_OHM);
    }
    case 6:
        return SUPPLY_V * circuit->sender_ohm / (circuit->sender_ohm + SENDER_SERIES_OHM);
    default:
        return circuit->valve_supply_v * SUPPLY_LOWER_OHM / (SUPPLY_UPPER_OHM + SUPPLY_LOWER_OHM);
    }
}

uint16_t circuit_convert(struct circuit *circuit, unsigned input, double now_s)
{
    settle(circuit, now_s);
    double v = input_v(circuit, input) + circuit->offset_v + circuit->noise_v * normal(circuit);
    double steps = floor(v / SUPPLY_V * 1024.0);
    return (uint16_t)(steps < 0.0 ? 0.0 : steps > 1023.0 ? 1023.0 : steps);
}
