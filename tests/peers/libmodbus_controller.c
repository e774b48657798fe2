/* A master of libmodbus that polls for a while, whatever goes wrong, as the controller of a shed does.
 *
 * usage: libmodbus_controller PORT BAUD SECONDS REGISTERS_AT_A_TIME DEVICES REGISTERS TIMEOUT_MS RETRIES */
#include <modbus.h>
#include <stdint.h>
#include <stdlib.h>
#include <time.h>

static double now(void) {
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return at.tv_sec + at.tv_nsec / 1e9;
}

int main(int argc, char **argv) {
    if (argc != 9) return 2;
    double seconds = atof(argv[3]);
    int at_a_time = atoi(argv[4]), devices = atoi(argv[5]), registers = atoi(argv[6]), retries = atoi(argv[8]);
    modbus_t *line = modbus_new_rtu(argv[1], atoi(argv[2]), 'N', 8, 2);
    if (!line || modbus_connect(line)) return 2;
    modbus_set_response_timeout(line, atoi(argv[7]) / 1000, atoi(argv[7]) % 1000 * 1000);
    double begun = now();
    while (now() - begun < seconds) {
        for (int device = 1; device <= devices; device++) {
            modbus_set_slave(line, device);
            for (int start = 0; start < registers; start += at_a_time) {
                uint16_t words[125];
                for (int attempt = 0; attempt <= retries; attempt++) {
                    if (modbus_read_registers(line, start, at_a_time, words) >= 0) break;
                    modbus_flush(line);
                }
            }
        }
    }
    return 0;
}
