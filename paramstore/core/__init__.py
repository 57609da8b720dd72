"""What every package may use: findings, scalar types, format numbers, the CRC, files, words.

Knows no other package.
"""
