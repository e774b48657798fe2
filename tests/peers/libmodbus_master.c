/* A master of libmodbus: asks once and prints what it got.
 *
 * usage: libmodbus_master PORT BAUD ADDRESS TABLE START COUNT
 * Prints the words in decimal, separated by blanks, or "error: TEXT". TABLE may also be server-id, whose text is printed. */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int main(int argc, char **argv) {
    if (argc != 7) return 2;
    modbus_t *line = modbus_new_rtu(argv[1], atoi(argv[2]), 'N', 8, 1);
    if (!line || modbus_set_slave(line, atoi(argv[3])) || modbus_connect(line)) return 2;
    modbus_set_response_timeout(line, 2, 0);
    int start = atoi(argv[5]), count = atoi(argv[6]), got = -1;
    uint16_t words[2000] = {0};
    uint8_t bits[2000] = {0};
    const char *table = argv[4];
    if (!strcmp(table, "coil")) got = modbus_read_bits(line, start, count, bits);
    if (!strcmp(table, "discrete")) got = modbus_read_input_bits(line, start, count, bits);
    if (!strcmp(table, "holding")) got = modbus_read_registers(line, start, count, words);
    if (!strcmp(table, "input")) got = modbus_read_input_registers(line, start, count, words);
    if (!strcmp(table, "server-id")) {
        got = modbus_report_slave_id(line, sizeof bits - 1, bits);
        /* Behind one byte of identification and one that says whether it runs. */
        if (got > 2) return printf("%.*s\n", got - 2, (char *)bits + 2) < 0;
    }
    if (got < 0) {
        printf("error: %s\n", modbus_strerror(errno));
        return 1;
    }
    int is_bits = !strcmp(table, "coil") || !strcmp(table, "discrete");
    for (int i = 0; i < got; i++) printf(i ? " %d" : "%d", is_bits ? bits[i] : words[i]);
    puts("");
    return 0;
}
