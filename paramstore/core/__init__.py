"""What every room may use: findings, scalar types, format numbers, the CRC, files, words.

Knows no other room.
"""
