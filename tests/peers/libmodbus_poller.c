/* A master of libmodbus that polls for a while and prints how many values it got in a second.
 *
 * usage: libmodbus_poller PORT BAUD SECONDS REGISTERS_AT_A_TIME DEVICES REGISTERS */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static double now(void) {
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return at.tv_sec + at.tv_nsec / 1e9;
}

int main(int argc, char **argv) {
    if (argc != 7) return 2;
    int seconds = atoi(argv[3]), at_a_time = atoi(argv[4]), devices = atoi(argv[5]), registers = atoi(argv[6]);
    modbus_t *line = modbus_new_rtu(argv[1], atoi(argv[2]), 'N', 8, 2);
    if (!line || modbus_connect(line)) return 2;
    modbus_set_response_timeout(line, 2, 0);
    long values = 0;
    double begun = now();
    while (now() - begun < seconds) {
        for (int device = 1; device <= devices; device++) {
            modbus_set_slave(line, device);
            for (int start = 0; start < registers; start += at_a_time) {
                uint16_t words[125];
                int got = modbus_read_registers(line, start, at_a_time, words);
                if (got < 0) {
                    printf("error: %s\n", modbus_strerror(errno));
                    return 1;
                }
                values += got;
            }
        }
    }
    printf("%f\n", values / (now() - begun));
    return 0;
}
