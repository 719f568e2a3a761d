/* The pseudo-terminal on which the controller sits, and its account of itself on standard output. */
#ifndef PORT_H
#define PORT_H

/* CLOCK_MONOTONIC in seconds. */
double now_s(void);

/* Prints one JSON object with the time and these members. */
void told(double t, const char *form, ...) __attribute__((format(printf, 2, 3)));

/* Opens a new pseudo-terminal in the place of the old one. A link that is not empty then leads to it. */
void plug_in(double t, const char *link_path);

/* The descriptor of the controller's end. */
int port_end(void);

/* Sends a line, or drops it whole if there is no room for it. */
void put_line(const char *text);

#endif
